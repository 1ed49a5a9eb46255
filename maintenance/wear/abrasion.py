"""The wear of a machine's parts by a job: sliding length, wear dose, weighted feed, hot hours, hours, prints.

The scale of a nozzle's life, ``dose_km``: kilometres of filler slid through the bore, that is the sliding
length times the filler's volume fraction, in full where the filler is hard enough to cut the surface:

    dose = s * (phi * relative wear + PLAIN_FRACTION),    s = 4 m / (rho pi d^2)

So 0.25 kg of a plastic with 20 % of carbon fibre by mass (phi about 0.14) through 0.4 mm of brass is about
0.2 km, 1 kg of plain PLA about 0.013 km. How much dose a surface endures is the life of the part's kind:
hardness enters there, in proportion (Archard), and here only through the relative wear of the filler.

The scale of drive gears, ``feed_km``: kilometres of filament, weighted by its filler; what is retracted
passes the teeth twice more. Of what heat ages (liners, heaters), ``hot_h``: hours at the temperature that
the part's life is stated for. Of what residue chokes (heat breaks), ``residue_h``: hours at the polymer's
usual print temperature. The rest is counted in ``hours`` of printing or in ``prints``.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import exp, pi
from statistics import NormalDist, fmean

# An abrasive cuts when at least this much harder than the surface (Pintaude 2010).
CUTTING_RATIO = 1.2
# Below that ratio wear falls with this power of the hardness ratio, from the full wear at it: a third at equal
# hardness, 5 % at 0.73, 0.5 % at half. The power is that of Rabinowicz for abrasives much softer than the
# surface (Wear 1983, from memory); his wear near equal hardness is higher. Starting the power at the ratio of
# cutting makes PA with 30 % of glass wear out hardened steel in about 20 kg (fixtures/reference/wear_values.csv
# derives 43 kg for a steel nozzle, an order of magnitude only).
SOFT_POWER = 6
# Hardnesses of equal probability in a filler's band of 10 % to 90 %, from its likely hardness, in halves of it.
_BAND_STEPS = [NormalDist().inv_cdf((n + 0.5) / 20) / NormalDist().inv_cdf(0.9) for n in range(20)]
# Unfilled plastic wears like this share of hard filler by volume: pigment, dust, the land's own corrosion.
# Common practice, no source; a brass nozzle then lasts 4 to 40 kg of plain PLA. Web guides say 2 to 4 kg,
# or 100 to 500 h, which is 2 to 15 kg (fixtures/reference/wear_values.csv).
PLAIN_FRACTION = 0.002
# Gears pay for each part of hard filler by volume with this many parts of plain length. Common practice, no
# source: about three times the wear with 15 % of carbon fibre by mass.
FEED_PER_FILLER = 20.0
# Default activation energy of thermal ageing, kJ/mol: PLA 96, PA6 120 and up (oxygen uptake), ABS from 204.
# 120 is 1.75 times for 10 K at 230 °C, the doubling per 10 to 15 K of fixtures/reference/README.md.
AGEING_KJ_MOL = 120.0
R_KJ_MOL_K = 8.314462618e-3
ZERO_C = 273.15


@dataclass(frozen=True)
class Filament:
    """The filament that passes. filler_fraction is by volume, 0 to 1; filler_hv None where there is no filler.

    filler_band_hv: the filler's hardness is between these two with 80 %; None: filler_hv is exact.
    usual_c: the middle of its print temperatures; ageing_kj_mol: activation energy of its charring.
    """

    density_g_cm3: float
    diameter_mm: float
    filler_fraction: float = 0.0
    filler_hv: float | None = None
    usual_c: float = 230.0
    ageing_kj_mol: float = AGEING_KJ_MOL
    filler_band_hv: tuple[float, float] | None = None

    def filler_hardnesses_hv(self) -> Sequence[float]:
        """Hardnesses of equal probability over the band of its filler; none without a filler."""
        if self.filler_hv is None:
            return ()
        if self.filler_band_hv is None:
            return (self.filler_hv,)
        low_hv, high_hv = self.filler_band_hv
        below, above = self.filler_hv - low_hv, high_hv - self.filler_hv
        return [max(0.0, self.filler_hv + step * (below if step < 0 else above)) for step in _BAND_STEPS]


# A nylon with 20 % of carbon fibre by mass; 1 kg of plain filament wears a bore like about 14 g of it.
FILLED = Filament(density_g_cm3=1.25, diameter_mm=1.75, filler_fraction=0.14, filler_hv=1000.0)


@dataclass(frozen=True)
class Surface:
    """The surface that it passes. hardness_hv None: not known, taken as soft; bore_mm None: no bore.

    heat_reference_c: the temperature that its hot hours are counted at; None: all hot hours count alike.
    """

    hardness_hv: float | None
    bore_mm: float | None = None
    heat_reference_c: float | None = None


@dataclass(frozen=True)
class PrintUse:
    """A print, or the share of one that a filament has in it. retracted_km: all its retractions together."""

    mass_kg: float
    hours: float
    nozzle_c: float
    retracted_km: float = 0.0
    prints: float = 1.0


@dataclass(frozen=True)
class Wear:
    """The wear of one part by one print, on each of the scales."""

    dose_km: float
    feed_km: float
    hot_h: float
    residue_h: float
    hours: float
    prints: float

    def amount(self, unit: str) -> float:
        """The one of the numbers that a life is counted in; for days, those that the print takes."""
        return self.hours / 24 if unit == "days" else float(getattr(self, unit))


def sliding_km(mass_kg: float, density_g_cm3: float, bore_mm: float) -> float:
    """Length of the plug that leaves a bore: s = 4 m / (rho pi d^2). 6.42 km for 1 kg of PLA at 0.4 mm."""
    return 4 * mass_kg / (density_g_cm3 * pi * bore_mm**2)


def filament_km(mass_kg: float, density_g_cm3: float, diameter_mm: float) -> float:
    """Length of filament of this mass: the same as sliding through a bore of its own diameter."""
    return sliding_km(mass_kg, density_g_cm3, diameter_mm)


def cuts(abrasive_hv: float, surface_hv: float | None) -> bool:
    """Whether an abrasive is hard enough to cut a surface. One of unknown hardness is taken to be cut."""
    return surface_hv is None or abrasive_hv >= CUTTING_RATIO * surface_hv


def relative_wear(abrasive_hv: float, surface_hv: float | None) -> float:
    """Wear by an abrasive of this hardness as a share of that by one that cuts, 0 to 1; continuous in both."""
    if cuts(abrasive_hv, surface_hv) or surface_hv is None:
        return 1.0
    return (abrasive_hv / (CUTTING_RATIO * surface_hv)) ** SOFT_POWER


@lru_cache(maxsize=4096)
def mean_relative_wear(filament: Filament, surface_hv: float | None) -> float:
    """The mean over the band of the filler's hardness; 0 without a filler."""
    hardnesses_hv = filament.filler_hardnesses_hv()
    return fmean(relative_wear(hv, surface_hv) for hv in hardnesses_hv) if hardnesses_hv else 0.0


def dose_km(mass_kg: float, filament: Filament, surface: Surface) -> float:
    """Wear dose of a bore, km of filler slid through it; 0 for a part without a bore."""
    if surface.bore_mm is None:
        return 0.0
    share = filament.filler_fraction * mean_relative_wear(filament, surface.hardness_hv)
    return sliding_km(mass_kg, filament.density_g_cm3, surface.bore_mm) * (share + PLAIN_FRACTION)


def in_hand(unit: str, bore_mm: float | None) -> tuple[float, str]:
    """A factor for amounts in the unit of a part's life, and the unit that they then have: one that is in hand.

    The wear dose of a bore becomes kg of a filament with fibres; the other units stay as they are.
    """
    if unit != "dose_km" or bore_mm is None:
        return 1.0, unit
    return 1 / dose_km(1.0, FILLED, Surface(None, bore_mm)), "filled_kg"


def feed_km(mass_kg: float, filament: Filament, surface: Surface, retracted_km: float = 0.0) -> float:
    """Filament past drive gears, km, weighted by its filler. How soft the gears are is in their life.

    What is retracted passes the teeth once back and once forth beside the length that is fed.
    """
    weight = 1 + FEED_PER_FILLER * filament.filler_fraction * mean_relative_wear(
        filament, surface.hardness_hv
    )
    fed = filament_km(mass_kg, filament.density_g_cm3, filament.diameter_mm)
    return (fed + 2 * retracted_km) * weight


def heat_weight(temperature_c: float, reference_c: float, ageing_kj_mol: float = AGEING_KJ_MOL) -> float:
    """How many hours at ``reference_c`` age as much as one at ``temperature_c`` (Arrhenius)."""
    inverse_k = 1 / (reference_c + ZERO_C) - 1 / (temperature_c + ZERO_C)
    return exp(ageing_kj_mol / R_KJ_MOL_K * inverse_k)


def hot_h(use: PrintUse, surface: Surface) -> float:
    """Hours at the temperature that the part's life is stated for."""
    if surface.heat_reference_c is None:
        return use.hours
    return use.hours * heat_weight(use.nozzle_c, surface.heat_reference_c)


def wear(use: PrintUse, filament: Filament, surface: Surface) -> Wear:
    """The wear of one part by a print."""
    return Wear(
        dose_km=dose_km(use.mass_kg, filament, surface),
        feed_km=feed_km(use.mass_kg, filament, surface, use.retracted_km),
        hot_h=hot_h(use, surface),
        residue_h=use.hours * heat_weight(use.nozzle_c, filament.usual_c, filament.ageing_kj_mol),
        hours=use.hours,
        prints=use.prints,
    )
