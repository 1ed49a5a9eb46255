"""How many kilograms a 0.4 mm nozzle lasts, by its metal and what is printed: python -m benchmarks.nozzle_lives.

The command writes docs/nozzle-lives.md from the catalogue's stated lives and the wear model. The range is that of
the stated life together with that of the filler's hardness.
"""

import os
import tempfile
from dataclasses import replace
from math import exp, log
from pathlib import Path
from statistics import fmean
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from maintenance.wear.abrasion import Filament, Surface
    from maintenance.wear.life import Life, Lives

PAGE = Path(__file__).parents[1] / "docs" / "nozzle-lives.md"
BORE_MM = 0.4


class Product(NamedTuple):
    """A filament as it is sold: its name, polymer, filler and the filler's share of the mass."""

    name: str
    polymer: str
    filler: str = ""
    mass_fraction: float = 0.0


PRODUCTS = [
    Product("plain PLA", "PLA"),
    Product("PLA, 30 % wood", "PLA", "wood", 0.3),
    Product("PLA, 20 % mineral", "PLA", "mineral", 0.2),
    Product("PLA, 2 % titanium dioxide", "PLA", "titanium dioxide", 0.02),
    Product("PLA, 80 % bronze powder", "PLA", "bronze powder", 0.8),
    Product("PLA, 80 % stainless steel powder", "PLA", "stainless steel powder", 0.8),
    Product("PLA, 15 % glow pigment", "PLA", "glow pigment", 0.15),
    Product("PLA, 15 % carbon fibre", "PLA", "carbon fibre", 0.15),
    Product("PA6, 20 % carbon fibre", "PA6", "carbon fibre", 0.2),
    Product("PA6, 30 % glass fibre", "PA6", "glass fibre", 0.3),
]

HEAD = f"""# How long nozzles last

`python -m benchmarks.nozzle_lives` writes this page from the catalogue and `maintenance/wear/abrasion.py`; do not edit
it. Kilograms through a {BORE_MM} mm nozzle until half of the nozzles are worn out, and in brackets until one in ten and
nine in ten are. The range holds both the stated life's and that of the filler's hardness. The lives of brass are common
practice and one vendor's test; those of other metals follow from their hardness. A shop's own replacements and bore
gauges narrow them (docs/part-lives.md).

A filler of at least 1.2 times the nozzle's hardness cuts. Below that its wear falls with the sixth power of the
ratio, so wood counts as plain PLA, and carbon fibre leaves tungsten carbide and ruby nearly alone. Plain PLA wears a
nozzle like 0.2 % of hard filler would: pigment and dust (common practice, no source).
"""


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="loadworthy-") as folder:
        os.environ |= {
            "DATABASE_URL": f"sqlite:///{folder}/shop.sqlite3",
            "DJANGO_SETTINGS_MODULE": "config.settings",
            "SECRET_KEY": "for this page alone",
        }
        import django

        django.setup()
        from django.core.management import call_command

        call_command("migrate", verbosity=0)
        call_command("load_catalogue", verbosity=0)
        PAGE.write_text(build_page())


def build_page() -> str:
    """The page in Markdown, from the catalogue in the database."""
    from maintenance.models import PartKind
    from maintenance.parts.wear_entries import surface_of
    from maintenance.wear.life import Life

    kinds = PartKind.objects.filter(role=PartKind.Role.NOZZLE, bore_mm=BORE_MM).order_by("life", "name")
    filaments = [build_filament(product) for product in PRODUCTS]
    rows = [["nozzle", *(product.name for product in PRODUCTS)], ["---"] * (1 + len(PRODUCTS))]
    for kind in kinds:
        stated, surface = Life(kind.life, kind.life_low, kind.life_high), surface_of(kind)
        lives = (life_kg(filament, surface, stated) for filament in filaments)
        rows.append([f"{kind.material}, {kind.hardness_hv:.0f} HV", *map(_cell, lives)])
    return HEAD + "\n" + "".join(f"| {' | '.join(row)} |\n" for row in rows)


def build_filament(product: Product) -> "Filament":
    """The wear model's view of a product, from the catalogue in the database."""
    from maintenance.parts.wear_entries import filament_of
    from spools.models import Feedstock, Filler, Polymer

    filler = Filler.objects.get(name=product.filler) if product.filler else None
    polymer = Polymer.objects.get(name=product.polymer)
    return filament_of(Feedstock(polymer=polymer, filler=filler, filler_mass_fraction=product.mass_fraction))


def life_kg(filament: "Filament", surface: "Surface", stated: "Life") -> "Life":
    """The life of a nozzle that prints this filament alone, in kg: the mixture over the filler's hardness."""
    from maintenance.wear.abrasion import dose_km
    from maintenance.wear.learning import learn
    from maintenance.wear.life import Life

    hardnesses_hv = filament.filler_hardnesses_hv() or [None]
    exact = [replace(filament, filler_hv=hv, filler_band_hv=None) for hv in hardnesses_hv]
    doses_km = [dose_km(1, filament_, surface) for filament_ in exact]
    lives = learn(stated, ())
    low, median, high = (_solve_kg(lives, doses_km, share) for share in (0.1, 0.5, 0.9))
    return Life(median, low, high)


def _solve_kg(lives: "Lives", doses_km: list[float], share: float) -> float:
    """The mass by which this share of the nozzles is used up, halving the interval on a logarithmic scale."""
    low, high = log(1e-4), log(1e7)
    for _ in range(40):
        middle = (low + high) / 2
        used_up = fmean(lives.used_up_by(exp(middle) * dose) for dose in doses_km)
        low, high = (middle, high) if used_up < share else (low, middle)
    return exp(low)


def _cell(life: "Life") -> str:
    return f"{_two_digits(life.median)} ({_two_digits(life.low)} to {_two_digits(life.high)})"


def _two_digits(mass_kg: float) -> str:
    return f"{float(f'{mass_kg:.2g}'):g}"


if __name__ == "__main__":
    main()
