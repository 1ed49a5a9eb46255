"""A spool as the physics knows it: its winding, and an ensemble of what is not known about it.

Drawn once per spool, seeded by its code: uptake, diffusivity and activation energy from the bands of the
catalogue, and how wet it came.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from spools.catalogue.values import material_values
from spools.models import Feedstock, Spool
from spools.physics import drying, ensemble, surroundings, winding
from spools.physics.air import ZERO_C
from spools.physics.geometry import Geometry
from spools.physics.isotherm import Isotherm
from spools.physics.state import Material, State, outermost, resize, uniform
from spools.physics.surroundings import Surroundings

Array = NDArray[np.float64]

# How wet a spool comes: the humidity that it was in balance with, % RH (low, likely, high).
# Common practice, no source: even a factory-sealed spool may be wet.
SEALED_CARD_DRY = (5.0, 12.0, 25.0)
SEALED = (5.0, 25.0, 55.0)
OPEN_OR_CARD_WET = (20.0, 45.0, 70.0)
WETTEST_START_RH = 0.98
# Dry enough means: all but this share of what is thought possible is.
DOUBT = 0.2
START_C = 22.0
# What a member of the ensemble is a value of: uptake, diffusivity, its activation energy, wetness as it came.
MEMBER_OF = ("w50_pct", "d23_m2_s", "e_d_kj_mol", "start_rh")
LEAST_WINDING_G = 1.0
# The outer turns whose moisture counts where no job is named: those of a small one.
SMALL_JOB_G = 50.0


class Interval(NamedTuple):
    """The 10 %, 50 % and 90 % quantiles of the members."""

    p10: float
    p50: float
    p90: float

    @classmethod
    def from_members(cls, members: Array) -> "Interval":
        return cls(*ensemble.interval(members))

    @classmethod
    def from_rows(cls, members: Array) -> list["Interval"]:
        """Of each row of members."""
        return [cls(*band) for band in ensemble.intervals(members).tolist()] if len(members) else []


class ConstantAir(NamedTuple):
    """Constant surroundings for some hours."""

    hours: float
    temperature_c: float
    rh_pct: float
    moving: bool = False


@dataclass(frozen=True)
class Winding:
    """The winding of one spool at one time, for all members. Contents in % by mass."""

    geometry: Geometry
    material: Material
    state: State

    def mean_pct(self) -> Array:
        """Of all of it, (members,)."""
        return self.outer_pct(None)

    def outer_pct(self, mass_g: float | None) -> Array:
        """Of the outermost turns that weigh mass_g, or of all of it, (members,)."""
        mass_kg = self.geometry.mass_kg if mass_g is None else mass_g / 1000
        return 100 * outermost(self.state, self.geometry, mass_kg)

    def water_kg(self) -> Array:
        """In all of it, (members,)."""
        return self.state.water_kg(self.geometry)

    def shells(self) -> list[tuple[float, float, float, float, float]]:
        """(inner radius mm, outer radius mm, p10, p50, p90) of each shell, core first."""
        edges_mm = (1000 * self.geometry.edges()).tolist()
        bands = [Interval.from_members(members) for members in 100 * self.state.profile().T]
        return [
            (inner, outer, *band) for inner, outer, band in zip(edges_mm, edges_mm[1:], bands, strict=False)
        ]

    def floor_pct(self, rh_pct: float) -> Array:
        """What it comes to in this air after any time, (members,)."""
        return 100 * drying.floor(self.material.isotherm, rh_pct / 100)

    def through(self, airs: Sequence[Surroundings]) -> "Winding":
        """After these airs."""
        (result,) = winding.advance([winding.Lane(self.geometry, self.material, self.state, airs)])
        return replace(self, state=result.state)

    def resized(self, spool: Spool, mass_g: float) -> "Winding":
        """With mass_g of filament on the spool: printing takes the outermost turns."""
        new = geometry(spool, mass_g)
        if new == self.geometry:
            return self
        return replace(self, geometry=new, state=resize(self.state, self.geometry, new))


def geometry(spool: Spool, mass_g: float) -> Geometry:
    """The shape that this much filament takes on the spool."""
    return Geometry.from_mass(
        max(LEAST_WINDING_G, mass_g) / 1000,
        core_radius_m=spool.core_radius_mm / 1000,
        width_m=spool.width_mm / 1000,
        density_kg_m3=1000 * material_values(spool.feedstock).density_g_cm3,
        filament_radius_m=spool.feedstock.diameter_mm / 2000,
    )


def first_members(spool: Spool) -> Array:
    """The members before any weighing, as points (members, numbers): the same for the same spool."""
    return _first_points(spool.code)


@lru_cache(maxsize=16384)
def _first_points(code: str) -> Array:
    """Drawing takes longer than a step of the physics."""
    return ensemble.first_points(len(MEMBER_OF), code)


def initial_winding(spool: Spool, mass_g: float, points: Array) -> Winding:
    """The winding as the spool came: in balance with an air that is not known well."""
    material, start_rh = _members(spool, points)
    shape = geometry(spool, mass_g)
    w0 = material.isotherm.equilibrium(start_rh)
    return Winding(shape, material, uniform(shape, material, w0, START_C + ZERO_C))


def likely_material(feedstock: Feedstock) -> Material:
    """The material with the median of each number, which is the first member of any spool's."""
    values = material_values(feedstock)
    return Material(values.d23_m2_s, 1000 * values.e_d_kj_mol, _isotherm(feedstock, values.w50_pct))


def most_water_pct(spool: Spool) -> float:
    """What the filament holds at most, % by mass: with the top of its uptake's band, in saturated air."""
    high_pct = material_values(spool.feedstock).w50_high_pct
    return 100 * float(_isotherm(spool.feedstock, high_pct).equilibrium(1.0))


def restore_winding(spool: Spool, mass_g: float, points: Array, memory: bytes) -> Winding:
    """The winding whose state was stored with this much filament on the spool, for the same members."""
    return Winding(geometry(spool, mass_g), _members(spool, points)[0], State.from_bytes(memory))


def advance_windings(lanes: Iterable[tuple[Winding, Sequence[ConstantAir]]]) -> list[Winding]:
    """Each winding after its airs, one after the other. What else is advanced beside it changes nothing."""
    return [one.through(join_airs(airs)) for one, airs in lanes]


def join_airs(airs: Sequence[ConstantAir]) -> list[Surroundings]:
    """Airs one after the other for the physics, as few as tell the same."""
    return surroundings.join([_surroundings(air) for air in airs])


def hours_until(
    lanes: Sequence[tuple[Winding, ConstantAir]],
    limits_pct: Sequence[float],
    mass_g: float | None,
    looks_h: Sequence[float],
    *,
    below: bool,
    share: float = DOUBT,
) -> list[float | None]:
    """Hours until the outermost mass_g of each winding (all of it: None) is below its limit, or above it.

    Below means that at most this share of the members are above. None: not by the last of looks_h.
    """
    found = drying.hours_until(
        [_lane(one, [air]) for one, air in lanes],
        [limit_pct / 100 for limit_pct in limits_pct],
        [one.geometry.mass_kg if mass_g is None else mass_g / 1000 for one, _ in lanes],
        looks_h,
        share=share,
        below=below,
    )
    return [crossing.hours for crossing in found]


def hours_until_all_below(
    lanes: Sequence[tuple[Winding, ConstantAir]], limits_pct: Sequence[float], looks_h: Sequence[float]
) -> list[float | None]:
    """Hours until even the wettest turns of each winding are below its limit, with no more than DOUBT."""
    found = drying.hours_until(
        [_lane(one, [air]) for one, air in lanes],
        [limit_pct / 100 for limit_pct in limits_pct],
        [None] * len(lanes),
        looks_h,
        share=DOUBT,
        below=True,
    )
    return [crossing.hours for crossing in found]


def _lane(one: Winding, airs: Sequence[ConstantAir]) -> winding.Lane:
    return winding.Lane(one.geometry, one.material, one.state, [_surroundings(air) for air in airs])


def _surroundings(air: ConstantAir) -> Surroundings:
    return Surroundings(air.hours * 3600, air.temperature_c + ZERO_C, air.rh_pct / 100, air.moving)


def start_rh(spool: Spool) -> tuple[tuple[float, float, float], str]:
    """How wet the spool is taken to have come, % RH (low, likely, high), and that in words."""
    if spool.sealed and spool.card == Spool.Card.DRY:
        band, why = SEALED_CARD_DRY, "it came sealed and its card was dry"
    elif spool.sealed and spool.card != Spool.Card.WET:
        band, why = SEALED, "it came sealed and no card told how dry"
    else:
        band, why = OPEN_OR_CARD_WET, "its card was wet" if spool.sealed else "it came open"
    low, likely, high = band
    return band, (
        f"Taken to have come in balance with {likely:g} % RH ({low:g} to {high:g}): {why} "
        "(common practice, no source; even a factory-sealed spool may be wet)."
    )


def _members(spool: Spool, points: Array) -> tuple[Material, Array]:
    """The spool's material and the humidity it came from, 0..1, one value for each member."""
    values = material_values(spool.feedstock)
    bands = {
        "w50_pct": (values.w50_low_pct, values.w50_pct, values.w50_high_pct),
        "d23_m2_s": (values.d23_low_m2_s, values.d23_m2_s, values.d23_high_m2_s),
        "e_d_kj_mol": (values.e_d_low_kj_mol, values.e_d_kj_mol, values.e_d_high_kj_mol),
        "start_rh": start_rh(spool)[0],
    }

    def band(low: float, likely: float, high: float) -> ensemble.Spread:
        return ensemble.Spread(min(low, likely), likely, max(low, likely, high))

    drawn = ensemble.draw({name: band(*bands[name]) for name in MEMBER_OF}, points)
    isotherm = _isotherm(spool.feedstock, drawn["w50_pct"])
    material = Material(drawn["d23_m2_s"], 1000 * drawn["e_d_kj_mol"], isotherm)
    return material, np.minimum(drawn["start_rh"] / 100, WETTEST_START_RH)


def _isotherm(feedstock: Feedstock, w50_pct: float | Array) -> Isotherm:
    polymer = feedstock.polymer
    # Only a GAB isotherm has a shape of its own; the others pass the two numbers over.
    return Isotherm(
        polymer.isotherm,
        w50_pct / 100,
        c=polymer.gab_c or 1.0,
        k=polymer.gab_k or 0.5,
        density_kg_m3=1000 * material_values(feedstock).density_g_cm3,
    )
