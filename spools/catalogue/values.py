"""The numbers that hold for a feedstock: its data sheet's, else its polymer's, each with its source."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from operator import attrgetter
from typing import Any

from django.utils.translation import gettext
from django.utils.translation import gettext_noop as _

from spools.models import Feedstock, Polymer
from spools.wording import format_percent


@dataclass(frozen=True)
class MaterialValues:
    """The numbers that hold for a feedstock, in the units of their names.

    A data sheet's number comes before the polymer's; the polymer's has the filler reckoned in. ``*_low`` and
    ``*_high`` are the range of the number before them, which on a data sheet's number is the polymer's in
    proportion. Only ``moulding_limit_pct`` may be None: no limit is published for some polymers.
    """

    density_g_cm3: float
    softening_c: float
    dry_cap_c: float
    dry_set_c: float
    w50_pct: float
    w50_low_pct: float
    w50_high_pct: float
    d23_m2_s: float
    d23_low_m2_s: float
    d23_high_m2_s: float
    e_d_kj_mol: float
    e_d_low_kj_mol: float
    e_d_high_kj_mol: float
    limit_clear_pct: float
    limit_hold_pct: float
    moulding_limit_pct: float | None
    nozzle_min_c: float
    nozzle_max_c: float
    bed_min_c: float
    bed_max_c: float

    @property
    def nozzle_c(self) -> float:
        """The middle of the nozzle's temperatures, °C."""
        return (self.nozzle_min_c + self.nozzle_max_c) / 2


@dataclass(frozen=True)
class Property:
    """One number of a feedstock and its source. low and high are its range, or the value where none is known.

    origin: "data sheet" or "catalogue". grade: A (two sources agree) to D (memory or guess), or "".
    basis: the source or the reason, in words.
    """

    name: str
    value: float
    unit: str
    low: float
    high: float
    origin: str
    grade: str
    basis: str


UNITS = {
    "density_g_cm3": "g/cm³",
    "softening_c": "°C",
    "dry_cap_c": "°C",
    "dry_set_c": "°C",
    "w50_pct": "%",
    "d23_m2_s": "m²/s",
    "e_d_kj_mol": "kJ/mol",
    "limit_clear_pct": "%",
    "limit_hold_pct": "%",
    "moulding_limit_pct": "%",
    "nozzle_min_c": "°C",
    "nozzle_max_c": "°C",
    "bed_min_c": "°C",
    "bed_max_c": "°C",
}
# The polymer's columns with the range of a number, and the fields of MaterialValues that they become.
RANGES = {
    "w50_pct": (("w50_low", "w50_low_pct"), ("w50_high", "w50_high_pct")),
    "d23_m2_s": (("d23_low", "d23_low_m2_s"), ("d23_high", "d23_high_m2_s")),
    "e_d_kj_mol": (("e_d_low", "e_d_low_kj_mol"), ("e_d_high", "e_d_high_kj_mol")),
}
_POLYMER_COLUMNS = [*UNITS, *(column for ends in RANGES.values() for column, _ in ends)]
_of_feedstock = attrgetter(*Feedstock.OVERRIDES)
_of_polymer = attrgetter(*_POLYMER_COLUMNS)
LIMIT_BASIS = {
    "practice": ("D", _("common practice, no source")),
    "measured": ("C", _("one dryer maker's test, not independent")),
    "analogy PA6": ("D", _("taken over from PA6")),
}
# The softening point of these polymers is that of the wet polymer (thermal_values.csv).
WET_BASIS = "Tg wet"


def material_values(feedstock: Feedstock) -> MaterialValues:
    """The numbers that hold for a feedstock. No query when polymer and filler are loaded with it."""
    filler = feedstock.filler
    mixture = None if filler is None else (feedstock.filler_mass_fraction, filler.density_g_cm3)
    return _material_values(_of_feedstock(feedstock), _of_polymer(feedstock.polymer), mixture)


@lru_cache(maxsize=4096)
def _material_values(
    stated: tuple[float | None, ...],
    polymers: tuple[Any, ...],
    mixture: tuple[float, float] | None,
) -> MaterialValues:
    """Cached by all that it reads: thousands of spools share some dozens of such sets of numbers.

    mixture: mass fraction and density of the filler.
    """
    polymer = dict(zip(_POLYMER_COLUMNS, polymers, strict=True))
    numbers = {name: polymer[name] for name in UNITS}
    if mixture is not None:
        mass_fraction, filler_density = mixture
        fraction = _volume_fraction(mass_fraction, filler_density, polymer["density_g_cm3"])
        numbers["density_g_cm3"] = fraction * filler_density + (1 - fraction) * polymer["density_g_cm3"]
        # Only the matrix takes up water (fixtures/reference/sorption_values.csv, PA6-CF / GF).
        numbers["w50_pct"] = polymer["w50_pct"] * (1 - mass_fraction)
    named = zip(Feedstock.OVERRIDES, stated, strict=True)
    numbers |= {name: number for name, number in named if number is not None}
    for name, ends in RANGES.items():
        for column, end in ends:
            numbers[end] = numbers[name] * polymer[column] / polymer[name]
    return MaterialValues(**numbers)


def properties(feedstock: Feedstock) -> Mapping[str, Property]:
    """Every known number of a feedstock with its source, by name. No query, as for material_values."""
    values = material_values(feedstock)
    return {
        name: _property(feedstock, name, getattr(values, name), values)
        for name in UNITS
        if getattr(values, name) is not None
    }


def filler_volume_fraction(feedstock: Feedstock) -> float:
    """Share of the filler in the volume, 0 to 1, from its mass fraction and both densities."""
    if feedstock.filler is None:
        return 0.0
    return _volume_fraction(
        feedstock.filler_mass_fraction, feedstock.filler.density_g_cm3, feedstock.polymer.density_g_cm3
    )


def softened_by_water(polymer: Polymer) -> bool:
    """Whether its catalogued softening point is the one that it has while wet."""
    return polymer.softening_basis == WET_BASIS


def _volume_fraction(mass_fraction: float, filler_density: float, polymer_density: float) -> float:
    filler = mass_fraction / filler_density
    matrix = (1 - mass_fraction) / polymer_density
    return filler / (filler + matrix)


def _property(feedstock: Feedstock, name: str, number: float, values: MaterialValues) -> Property:
    low = high = number
    if name in RANGES:
        low, high = (getattr(values, end) for _, end in RANGES[name])
    if getattr(feedstock, name, None) is not None:
        basis = feedstock.data_sheet or gettext("entered in this shop")
        return Property(name, number, UNITS[name], low, high, "data sheet", "", basis)
    grade, basis = _catalogue_basis(feedstock, name)
    return Property(name, number, UNITS[name], low, high, "catalogue", grade, basis)


def _catalogue_basis(feedstock: Feedstock, name: str) -> tuple[str, str]:
    polymer: Polymer = feedstock.polymer
    grade, basis = "", gettext("default for {polymer}").format(polymer=gettext(polymer.name))
    if name == "softening_c":
        basis = gettext(polymer.softening_basis)
    elif name in ("limit_clear_pct", "limit_hold_pct"):
        grade, text = LIMIT_BASIS.get(polymer.limit_basis, ("", polymer.limit_basis))
        basis = gettext(text)
    elif name == "w50_pct":
        grade = polymer.grade_uptake
    elif name in ("d23_m2_s", "e_d_kj_mol"):
        grade = polymer.grade_rate
    if feedstock.filler is not None and name in ("density_g_cm3", "w50_pct"):
        basis = gettext("{basis}, with {share} by mass of {filler} reckoned in").format(
            basis=basis,
            share=format_percent(100 * feedstock.filler_mass_fraction),
            filler=gettext(feedstock.filler.name),
        )
    return grade, basis
