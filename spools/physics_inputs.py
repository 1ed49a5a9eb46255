"""A spool as the physics takes it: its winding, with a material for each member (spools/catalogue/members.py)."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from spools.catalogue.members import spool_material
from spools.catalogue.values import material_values
from spools.models import Spool
from spools.physics import drying, ensemble, printing, surroundings, winding
from spools.physics.ahead import AirAhead, Crossings, advance_through
from spools.physics.air import ZERO_C
from spools.physics.air_errors import UNKNOWN_PLACE, AirErrors
from spools.physics.chamber import Chamber
from spools.physics.ensemble import Members
from spools.physics.geometry import Geometry
from spools.physics.state import Material, WindingState, outermost_mean, resize, turn_inside_out, uniform
from spools.physics.surroundings import Surroundings, spread_air

Array = NDArray[np.float64]

# A spool counts as dry when at most this share of the members is too wet.
DOUBT = 0.2
# Above this share of the members something is taken as likely.
LIKELY = 0.8
EVEN_CHANCE = 0.5
# Below this chance to be over a limit, or to be under it, a better measurement would not change the verdict.
LEAST_CHANCE = 0.05
START_C = 22.0
# The warming in airs that are expected is followed within this, in a step.
EXPECTED_WITHIN_K = 1.0
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
    """Constant surroundings for some hours. chamber: of the dryer that it dries in; errors: how far they may be off."""

    hours: float
    temperature_c: float
    rh_pct: float
    moving: bool = False
    chamber: Chamber | None = None
    errors: AirErrors | None = UNKNOWN_PLACE


@dataclass(frozen=True)
class Winding:
    """The winding of one spool at one time, for all members. Contents in % by mass."""

    geometry: Geometry
    material: Material
    state: WindingState
    members: Members

    def mean_pct(self) -> Array:
        """Of all of it, (members,)."""
        return self.outer_pct(None)

    def outer_pct(self, mass_g: float | None) -> Array:
        """Of the outermost turns that weigh mass_g, or of all of it, (members,)."""
        mass_kg = self.geometry.mass_kg if mass_g is None else mass_g / 1000
        return 100 * outermost_mean(self._profile, self.geometry, mass_kg)

    def wettest_pct(self) -> Array:
        """Of the wettest turns, wherever they lie, (members,)."""
        return self._wettest_pct

    @cached_property
    def _wettest_pct(self) -> Array:
        return 100 * self._profile.max(-1)

    @cached_property
    def _profile(self) -> Array:
        return self.state.profile()

    def water_kg(self) -> Array:
        """In all of it, (members,)."""
        return self.state.water_kg(self.geometry)

    def shells(self) -> list[tuple[float, float, float, float, float]]:
        """(inner radius mm, outer radius mm, p10, p50, p90) of each shell, core first."""
        edges_mm = (1000 * self.geometry.edges()).tolist()
        intervals = [Interval.from_members(members) for members in 100 * self.state.profile().T]
        return [
            (inner, outer, *interval)
            for inner, outer, interval in zip(edges_mm, edges_mm[1:], intervals, strict=False)
        ]

    def floor_pct(self, air: "ConstantAir") -> Array:
        """Its content in equilibrium with this air, (members,)."""
        true = spread_air(_surroundings(air), self.members)
        return 100 * self.material.isotherm.equilibrium(true.rh, true.temperature_k)

    def through(self, airs: Sequence[Surroundings]) -> "Winding":
        """After these airs, which it went through."""
        if not airs:
            return self
        (result,) = winding.advance([self.lane(airs)])
        return replace(self, state=result.state)

    def forecast(self, airs: Sequence[Surroundings]) -> "Winding":
        """After these airs, which are expected."""
        if not airs:
            return self
        (result,) = winding.advance([self.lane(airs)], temperature_tolerance=EXPECTED_WITHIN_K)
        return replace(self, state=result.state)

    def lane(self, airs: Iterable[Surroundings]) -> winding.Lane:
        """For the physics: each member takes its own air as the true one."""
        spread = [spread_air(air, self.members) for air in airs]
        return winding.Lane(self.geometry, self.material, self.state, spread)

    def turned(self) -> "Winding":
        """Wound onto another reel: its outer turns lie at the core."""
        return replace(self, state=turn_inside_out(self.state, self.geometry))

    def resized(self, spool: Spool, mass_g: float) -> "Winding":
        """With mass_g of filament on the spool: printing takes the outermost turns."""
        new = geometry(spool, mass_g)
        if new == self.geometry:
            return self
        return replace(self, geometry=new, state=resize(self.state, self.geometry, new))


def is_undecided(*over: float) -> bool:
    """Whether a verdict may go either way, by the chances to be over its limits."""
    return any(LEAST_CHANCE < chance < 1 - LEAST_CHANCE for chance in over)


def geometry(spool: Spool, mass_g: float) -> Geometry:
    """The shape that this much filament takes on the spool."""
    return Geometry.from_mass(
        max(LEAST_WINDING_G, mass_g) / 1000,
        core_radius_m=spool.core_radius_mm / 1000,
        width_m=spool.width_mm / 1000,
        density_kg_m3=1000 * material_values(spool.feedstock).density_g_cm3,
        filament_radius_m=spool.feedstock.diameter_mm / 2000,
    )


def initial_winding(spool: Spool, mass_g: float, members: Members) -> Winding:
    """The winding as the spool came: in balance with an air that is not known well."""
    material, start_rh = spool_material(spool, members)
    shape, start_k = geometry(spool, mass_g), START_C + ZERO_C
    w0 = material.isotherm.equilibrium(start_rh, start_k)
    return Winding(shape, material, uniform(shape, material, w0, start_k), members)


def restore_winding(spool: Spool, mass_g: float, members: Members, memory: bytes) -> Winding:
    """The winding whose state was stored with this much filament on the spool, for the same members."""
    state = WindingState.from_bytes(memory)
    return Winding(geometry(spool, mass_g), spool_material(spool, members)[0], state, members)


def advance_windings(lanes: Iterable[tuple[Winding, Sequence[ConstantAir]]]) -> list[Winding]:
    """A forecast of each winding after its airs, in order. The other windings in the batch change nothing."""
    return [start.forecast(join_airs(airs)) for start, airs in lanes]


def join_airs(airs: Sequence[ConstantAir]) -> list[Surroundings]:
    """Consecutive airs for the physics, joined where a straight line describes them."""
    return surroundings.join([_surroundings(air) for air in airs])


def hours_until(
    lanes: Sequence[tuple[Winding, ConstantAir]],
    limits_pct: Sequence[float],
    mass_g: float | Sequence[float | None] | None,
    looks_h: Sequence[float],
    *,
    below: bool,
    share: float = DOUBT,
) -> list[float | None]:
    """Hours until the outermost mass_g of each winding (all of it: None) is below its limit, or above it.

    mass_g: for all windings, or one for each. Below means that at most this share of the members are above.
    looks_h: the hours at which the moisture is computed. None: not by the last of them.
    """
    limits = [[limit_pct] for limit_pct in limits_pct]
    return [hours for (hours,) in hours_until_each(lanes, limits, mass_g, looks_h, below=below, share=share)]


def hours_until_each(
    lanes: Sequence[tuple[Winding, ConstantAir]],
    limits_pct: Sequence[Sequence[float]],
    mass_g: float | Sequence[float | None] | None,
    looks_h: Sequence[float],
    *,
    below: bool,
    share: float = DOUBT,
) -> list[list[float | None]]:
    """The same for several limits of each winding, which cost little more than one."""
    masses_g = [mass_g] * len(lanes) if mass_g is None or isinstance(mass_g, float | int) else mass_g
    return drying.hours_until(
        [_lane(start, [air]) for start, air in lanes],
        [[limit_pct / 100 for limit_pct in limits] for limits in limits_pct],
        [
            start.geometry.mass_kg if each_g is None else each_g / 1000
            for (start, _), each_g in zip(lanes, masses_g, strict=True)
        ],
        looks_h,
        share=share,
        below=below,
    )


def hours_until_dry(
    lanes: Sequence[tuple[Winding, ConstantAir]],
    limits_pct: Sequence[float],
    masses_g: Sequence[float | None],
    looks_h: Sequence[float],
) -> list[float | None]:
    """Hours until the outermost grams of each winding are below its limit, with no more than DOUBT.

    None grams: until even the wettest turns are, wherever they lie. None hours: not by the last of looks_h.
    """
    return [surely_h for surely_h, _ in drying_spans(lanes, limits_pct, masses_g, looks_h)]


def hours_until_all_dry(
    lanes: Sequence[tuple[Winding, ConstantAir]],
    limits_pct: Sequence[Sequence[float]],
    looks_h: Sequence[float],
) -> list[list[float | None]]:
    """As hours_until_dry, until even the wettest turns are below each of several limits: one drying shows them all."""
    return drying.hours_until(
        [_lane(start, [air]) for start, air in lanes],
        [[limit_pct / 100 for limit_pct in limits] for limits in limits_pct],
        [None] * len(lanes),
        looks_h,
        share=DOUBT,
        below=True,
    )


def drying_spans(
    lanes: Sequence[tuple[Winding, ConstantAir]],
    limits_pct: Sequence[float],
    masses_g: Sequence[float | None],
    looks_h: Sequence[float],
) -> list[tuple[float | None, float | None]]:
    """As hours_until_dry, with the hours after which every other member is dry beside each."""
    crossings = drying.hours_until(
        [_lane(start, [air]) for start, air in lanes],
        [[limit_pct / 100] for limit_pct in limits_pct],
        [None if mass_g is None else mass_g / 1000 for mass_g in masses_g],
        looks_h,
        share=DOUBT,
        other_share=EVEN_CHANCE,
        below=True,
    )
    return [(surely_h, likely_h) for surely_h, likely_h in crossings]


def forecast_wetting(
    start: Winding,
    airs: Sequence[ConstantAir],
    mass_g: float,
    limits_pct: Sequence[float],
    probe_hours: Sequence[float],
    min_probes: Sequence[int],
) -> list[Array]:
    """The moisture of the outermost mass_g of a winding in each air, held constant, (probes, members), %.

    At 0 h and at probe_hours, until each limit is crossed or cannot be crossed any more; min_probes: so many of
    the hours in any case, for each air.
    """
    contents_by_air = winding.advance_until_decided(
        _lane(start, airs),
        [3600 * hours for hours in probe_hours],
        mass_g / 1000,
        [limit_pct / 100 for limit_pct in limits_pct],
        DOUBT,
        min_probes,
    )
    return [100 * contents for contents in contents_by_air]


def forecast_through(
    start: Winding,
    airs: Sequence[ConstantAir],
    mass_g: float,
    limits_pct: Sequence[float],
    probe_hours: Sequence[float],
    min_probes: int = 1,
) -> Array:
    """The moisture of the outermost mass_g at 0 h and at probe_hours on the way through airs, (probes, members), %.

    Until each limit is crossed or cannot be crossed any more, and at least min_probes. The last air goes on.
    """
    place = airs[-1]
    if any((air.moving, air.chamber, air.errors) != (place.moving, None, place.errors) for air in airs):
        raise ValueError("Air ahead is that of one place, and of no dryer.")
    hours, celsius, rh_pct = np.array([air[:3] for air in airs]).T
    ahead = AirAhead(hours, celsius + ZERO_C, rh_pct / 100, place.moving, place.errors)
    crossings = Crossings(mass_g / 1000, [limit_pct / 100 for limit_pct in limits_pct], DOUBT, min_probes)
    contents = advance_through(
        start.geometry, start.material, start.state, start.members, ahead, probe_hours, crossings
    )
    return 100 * contents


@dataclass(frozen=True)
class WettestTurns:
    """The wettest SMALL_JOB_G of a job, or all of a smaller one, each turn as it is printed.

    contents_pct: of the wettest stretch of each member, (members,). printed_before_g: the mass printed before the
    stretch whose median is the highest.
    """

    contents_pct: Array
    printed_before_g: float


def compute_wettest_turns(start: Winding, mass_g: float, air: ConstantAir | None = None) -> WettestTurns:
    """Of a job that takes the outermost mass_g of a winding evenly in the hours of an air; None: in no time."""
    lane = _lane(start, [air or ConstantAir(0.0, START_C, 0.0)])
    printed = printing.print_turns(lane, mass_g / 1000, SMALL_JOB_G / 1000, None if air else 1)
    starts_kg, contents = printed.windows(SMALL_JOB_G / 1000)
    wettest = np.argmax(np.median(contents, axis=1))
    return WettestTurns(100 * contents.max(axis=0), 1000 * float(starts_kg[wettest]))


def crossing_h(
    contents_pct: Array, probe_hours: Sequence[float], limit_pct: float, share: float, *, below: bool
) -> float | None:
    """Hours until members as of forecast_wetting are below a limit, or above it, as in hours_until."""
    return drying.crossing(contents_pct, np.array([0.0, *probe_hours]), limit_pct, share, below)


def _lane(start: Winding, airs: Sequence[ConstantAir]) -> winding.Lane:
    return start.lane(_surroundings(air) for air in airs)


def _surroundings(air: ConstantAir) -> Surroundings:
    kelvin = air.temperature_c + ZERO_C
    return Surroundings(
        air.hours * 3600, kelvin, air.rh_pct / 100, air.moving, chamber=air.chamber, errors=air.errors
    )
