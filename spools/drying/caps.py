"""Caps: how hot a spool may get in a dryer, by its polymer, its coupon tests, its reel and the dryer."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import NamedTuple

from django.utils.translation import gettext as _

from spools import limits
from spools.catalogue import coupons
from spools.catalogue.values import material_values, softened_by_water
from spools.checks import require_within
from spools.drying import heat_budget, softening
from spools.models import DryingRun, Feedstock, Place, Spool
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_temperature

# fixtures/reference/README.md, what caps the drying temperature: spool bodies.
CORE_CAP_C = {
    Spool.CoreMaterial.UNKNOWN: 60.0,
    Spool.CoreMaterial.POLYSTYRENE: 65.0,
    Spool.CoreMaterial.ABS: 80.0,
    Spool.CoreMaterial.PP: 75.0,
    Spool.CoreMaterial.PC: 115.0,
    Spool.CoreMaterial.PET: 60.0,
    Spool.CoreMaterial.PLA: 45.0,
    Spool.CoreMaterial.CARDBOARD: 70.0,
}


# A limit: what it is of, and the temperature in °C.
Part = tuple[Statement, float]
# A usual set point is nominal: it allows for a dryer that is off by this much.
USUAL_ERROR_K = float(Place._meta.get_field("set_point_error_c").default)


class Limit(NamedTuple):
    """A limit: what it is of, its temperature in °C, and the highest set point that plans take below it, in °C.

    The two differ by the error of the dryer, except where the limit is a set point itself.
    """

    part: Statement
    limit_c: float
    hottest_c: float


@dataclass(frozen=True)
class Cap:
    """All limits of a run, and those of the stage that it starts with.

    A start is cooler where water softens the polymer: the run gets hotter only after a first stage that dries
    the spool enough. ``cap_c`` and ``start_c`` are the highest set points that the gate lets pass, in °C;
    ``hottest_c`` and ``start_hottest_c`` the highest that a plan takes, with the error of the dryer. ``part`` and
    the like name the limit behind each.
    """

    limits: list[Limit]
    start_limits: list[Limit]

    @cached_property
    def cap_c(self) -> float:
        return _lowest(self.limits).limit_c

    @property
    def part(self) -> Statement:
        return _lowest(self.limits).part

    @cached_property
    def start_c(self) -> float:
        return _lowest(self.start_limits).limit_c

    @property
    def start_part(self) -> Statement:
        return _lowest(self.start_limits).part

    @cached_property
    def hottest_c(self) -> float:
        return self.binding.hottest_c

    @cached_property
    def start_hottest_c(self) -> float:
        return self.start_binding.hottest_c

    @cached_property
    def binding(self) -> Limit:
        """The limit that sets the highest set point of plans."""
        return min(self.limits, key=lambda limit: limit.hottest_c)

    @cached_property
    def start_binding(self) -> Limit:
        """The limit that sets the highest set point of plans at the start."""
        return min(self.start_limits, key=lambda limit: limit.hottest_c)

    @property
    def parts(self) -> list[Part]:
        """All limits, for people."""
        return [(limit.part, limit.limit_c) for limit in self.limits]

    @property
    def start_parts(self) -> list[Part]:
        """The limits of the start alone."""
        return [(limit.part, limit.limit_c) for limit in self.start_limits if limit not in self.limits]

    @property
    def reason(self) -> Statement:
        return Statement("cap.most", {"limit_c": self.cap_c, "part": self.part.as_data()})

    @property
    def start_reason(self) -> Statement:
        return Statement("cap.most", {"limit_c": self.start_c, "part": self.start_part.as_data()})

    @property
    def two_stages(self) -> bool:
        """Whether a run may end hotter than it may start."""
        return self.start_c < self.cap_c


def compute_cap(
    spool: Spool, dryer: Place, others: Iterable[Spool] = (), inside: Iterable[Spool] = ()
) -> Cap:
    """The highest set point for a spool in a dryer beside others: the lowest of all limits.

    others: spools that start together with it. inside: spools that dry there already; their first stage is
    over, or shared with this spool.
    """
    others = [other for other in others if other.pk != spool.pk]
    beside = [(other, False) for other in inside if other.pk != spool.pk]
    return Cap(
        _all_limits(spool, dryer, [*((other, False) for other in others), *beside], False),
        _all_limits(spool, dryer, [*((other, True) for other in others), *beside], True),
    )


def limiting_spool(spools: Sequence[Spool], dryer: Place, inside: Sequence[Spool]) -> Spool:
    """The spool with the lowest cap, of those that start and those inside."""
    caps = [(compute_cap(spool, dryer), spool) for spool in [*spools, *inside]]
    return min(caps, key=lambda row: (row[0].cap_c, row[0].start_c))[1]


def suggested_set_point_c(spool: Spool, dryer: Place, others: Iterable[Spool] = ()) -> float:
    """The usual drying temperature of a run in one stage, or the nearest that its limits allow, in °C."""
    return usual_set_point_c(spool, compute_cap(spool, dryer, others))


def usual_set_point_c(spool: Spool, cap: Cap) -> float:
    """The same from the cap of the spool."""
    return float(math.floor(min(material_values(spool.feedstock).dry_set_c, cap.start_hottest_c)))


def may_join(cap: Cap, run: DryingRun, at: datetime) -> bool:
    """Whether the cap of a spool allows the stages of a run from a time on."""
    return run.set_point_c <= cap.cap_c and run.set_point_at(at) <= cap.start_c


def require_below_cap(caps: Iterable[Cap], set_point_c: float) -> None:
    """Refused: a set point above the lowest of these caps."""
    set_point_c = require_within("set_point_c", set_point_c, *limits.SET_POINT_C)
    lowest = min(caps, key=lambda cap: cap.cap_c)
    if set_point_c > lowest.cap_c:
        raise refusal(
            "above_cap",
            _("{set_point} is too hot: {reason}. Dry at {cap} or below.").format(
                set_point=format_temperature(set_point_c),
                reason=lowest.reason.sentence,
                cap=format_temperature(lowest.cap_c),
            ),
            "set_point_c",
        )


def _all_limits(
    spool: Spool, dryer: Place, beside: Sequence[tuple[Spool, bool]], starting: bool
) -> list[Limit]:
    """All limits. beside: the other spools, and whether they start at the same time."""
    error_k = dryer.set_point_error_c
    limits = _spool_limits(spool, error_k, starting)
    for other, starts in beside:
        others = _spool_limits(other, error_k, starts)
        lowest = _lowest(others)
        beside_it = Statement("cap.neighbour", {"spool": other.code, "part": lowest.part.as_data()})
        limits.append(Limit(beside_it, lowest.limit_c, min(limit.hottest_c for limit in others)))
    if dryer.max_set_point_c is not None:
        name = Statement("cap.dryer", {"dryer": str(dryer)})
        limits.append(_set_point_limit(name, dryer.max_set_point_c))
    return limits


def _lowest(limits: list[Limit]) -> Limit:
    return min(limits, key=lambda limit: limit.limit_c)


def _spool_limits(spool: Spool, error_k: float, starting: bool) -> list[Limit]:
    """The limits of the winding and of the reel. starting: the winding may be as wet as it came."""
    limits = _winding_limits(spool.feedstock, error_k, starting)
    if spool.core_cap_c is not None:
        limits.append(_true_limit(Statement("cap.reel_stated"), spool.core_cap_c, error_k))
    else:
        material = Spool.CoreMaterial(spool.core_material)
        name = Statement("cap.reel", {"material": material.value})
        limits.append(_true_limit(name, CORE_CAP_C[material], error_k))
    return limits


def _winding_limits(feedstock: Feedstock, error_k: float, starting: bool) -> list[Limit]:
    """The catalogue's limits. A coupon test outranks them, except at the start where water softens."""
    polymer, values = feedstock.polymer, material_values(feedstock)
    soft, polyamide = softened_by_water(polymer), heat_budget.is_polyamide(polymer)
    # The catalogue's softening point of such a polymer is the wet one: the first stage takes care of it.
    softens_c = feedstock.softening_c if soft else values.softening_c
    of_it = {"polymer": polymer.name}
    limits = [_drying_limit(feedstock, error_k)]
    if softens_c is not None:
        limits.append(_true_limit(Statement("cap.softening", of_it), softens_c, error_k))
    passed_c, failed_c = feedstock.coupon_passed_c, feedstock.coupon_failed_c
    if passed_c is not None and passed_c > _lowest(limits).limit_c:
        limits = [
            _true_limit(Statement("cap.coupon_passed", of_it | {"passed_c": passed_c}), passed_c, error_k)
        ]
        if polyamide:
            limits.append(_set_point_limit(Statement("cap.oxidation", of_it), heat_budget.HOTTEST_IN_AIR_C))
    if failed_c is not None:
        failed = Statement("cap.coupon_failed", of_it | {"failed_c": failed_c})
        limits.append(_true_limit(failed, failed_c - coupons.BELOW_FAILED_K, error_k))
    if soft and starting:
        # The gate counts the error here too: nothing softened by water starts above its wet transition.
        most_c = min(softening.START_CAP_C, polymer.softening_c) - error_k
        limits.append(_set_point_limit(Statement("cap.wet", of_it | {"error_k": error_k}), most_c))
    return limits


def _drying_limit(feedstock: Feedstock, error_k: float) -> Limit:
    """The catalogue's limit for drying: of oxidation for a polyamide, with a margin below softening for others.

    Moulders publish set points for polyamides, whose time at them the heat budget limits. Of the others the usual
    set point may come as near to the limit as a dryer's usual error.
    """
    polymer, values = feedstock.polymer, material_values(feedstock)
    cap_c, of_it = values.dry_cap_c, {"polymer": polymer.name}
    if heat_budget.is_polyamide(polymer):
        return _set_point_limit(Statement("cap.oxidation", of_it), cap_c)
    usual_c = min(values.dry_set_c, cap_c - max(0.0, error_k - USUAL_ERROR_K))
    return Limit(Statement("cap.drying", of_it), cap_c, max(cap_c - error_k, usual_c))


def _true_limit(part: Statement, limit_c: float, error_k: float) -> Limit:
    """A limit of the temperature that the spool really gets."""
    return Limit(part, limit_c, limit_c - error_k)


def _set_point_limit(part: Statement, limit_c: float) -> Limit:
    """A limit of the set point, whatever the dryer makes of it."""
    return Limit(part, limit_c, limit_c)
