"""What is known about a feedstock: each number, its band, and who says so, its sheet or the catalogue."""

from collections.abc import Mapping
from dataclasses import dataclass
from operator import attrgetter
from types import MappingProxyType

from spools.models import Feedstock, Polymer


@dataclass(frozen=True)
class Property:
    """One number of a feedstock. low and high are its band, equal to the value where none is known.

    origin: "data sheet" or "catalogue". grade: A (two sources agree) to D (memory or guess), or "".
    basis: why this number, in words.
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
BANDS = {
    "w50_pct": ("w50_low", "w50_high"),
    "d23_m2_s": ("d23_low", "d23_high"),
    "e_d_kj_mol": ("e_d_low", "e_d_high"),
}
# All that properties() looks at: thousands of spools have one of some dozens of such sets of values.
_OWN = attrgetter(*Feedstock.OVERRIDES, "filler_mass_fraction", "data_sheet")
_POLYMERS = attrgetter(
    *UNITS,
    *(edge for edges in BANDS.values() for edge in edges),
    *("name", "softening_basis", "limit_basis", "grade_uptake", "grade_rate"),
)
_FILLERS = attrgetter("name", "density_g_cm3")
_known: dict[tuple, Mapping[str, "Property"]] = {}
MOST_KNOWN = 4096
LIMIT_BASIS = {
    "practice": ("D", "common practice, no source"),
    "measured": ("C", "one dryer maker's test, not independent"),
    "analogy PA6": ("D", "taken over from PA6"),
}


def properties(feedstock: Feedstock) -> Mapping[str, Property]:
    """Every known number of a feedstock, by name. No query when polymer and filler are loaded with it."""
    key = _OWN(feedstock), _POLYMERS(feedstock.polymer), feedstock.filler and _FILLERS(feedstock.filler)
    if key not in _known:
        if len(_known) >= MOST_KNOWN:
            _known.clear()
        found = {name: _property(feedstock, name) for name in UNITS}
        _known[key] = MappingProxyType({name: one for name, one in found.items() if one is not None})
    return _known[key]


def value(feedstock: Feedstock, name: str) -> float | None:
    """One number of a feedstock by its name in UNITS; None where neither sheet nor catalogue has it."""
    stated = _stated(feedstock, name)
    return _from_polymer(feedstock, name) if stated is None else stated


def filler_volume_fraction(feedstock: Feedstock) -> float:
    """Share of the filler in the volume, 0 to 1, from its mass fraction and both densities."""
    if feedstock.filler is None:
        return 0.0
    filler = feedstock.filler_mass_fraction / feedstock.filler.density_g_cm3
    matrix = (1 - feedstock.filler_mass_fraction) / feedstock.polymer.density_g_cm3
    return filler / (filler + matrix)


def _stated(feedstock: Feedstock, name: str) -> float | None:
    return getattr(feedstock, name) if name in Feedstock.OVERRIDES else None


def _from_polymer(feedstock: Feedstock, name: str) -> float | None:
    number: float | None = getattr(feedstock.polymer, name)
    if feedstock.filler is None or number is None:
        return number
    if name == "density_g_cm3":
        fraction = filler_volume_fraction(feedstock)
        return fraction * feedstock.filler.density_g_cm3 + (1 - fraction) * number
    if name == "w50_pct":
        # Only the matrix takes up water (fixtures/reference/sorption_values.csv, PA6-CF / GF).
        return number * (1 - feedstock.filler_mass_fraction)
    return number


def _property(feedstock: Feedstock, name: str) -> Property | None:
    number = value(feedstock, name)
    if number is None:
        return None
    polymer = feedstock.polymer
    low = high = number
    if name in BANDS:
        # The polymer's spread around it, in proportion: a data sheet gives none of its own.
        middle = getattr(polymer, name)
        low, high = (number * getattr(polymer, edge) / middle for edge in BANDS[name])
    if _stated(feedstock, name) is not None:
        basis = feedstock.data_sheet or "entered in this shop"
        return Property(name, number, UNITS[name], low, high, "data sheet", "", basis)
    grade, basis = _catalogue_basis(feedstock, name)
    return Property(name, number, UNITS[name], low, high, "catalogue", grade, basis)


def _catalogue_basis(feedstock: Feedstock, name: str) -> tuple[str, str]:
    polymer: Polymer = feedstock.polymer
    grade, basis = "", f"default for {polymer}"
    if name == "softening_c":
        basis = polymer.softening_basis
    elif name in ("limit_clear_pct", "limit_hold_pct"):
        grade, basis = LIMIT_BASIS.get(polymer.limit_basis, ("", polymer.limit_basis))
    elif name == "w50_pct":
        grade = polymer.grade_uptake
    elif name in ("d23_m2_s", "e_d_kj_mol"):
        grade = polymer.grade_rate
    if feedstock.filler is not None and name in ("density_g_cm3", "w50_pct"):
        basis += f", with {feedstock.filler_mass_fraction:.0%} by mass of {feedstock.filler} reckoned in"
    return grade, basis
