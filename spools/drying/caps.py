"""Caps: how hot a spool may get in a dryer, by its polymer, its coupon tests, its reel and the dryer."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from spools import limits
from spools.catalogue import coupons
from spools.catalogue.values import material_values, softened_by_water
from spools.checks import require_within
from spools.drying import heat_budget, softening
from spools.models import DryingRun, Feedstock, Place, Spool
from spools.refusals import refusal
from spools.statements import Statement

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


@dataclass(frozen=True)
class Cap:
    """The highest set point of a run in °C, what it is the limit of, and all limits.

    start_c, start_part: the same for the stage that a run starts with; start_parts: the limits of the start
    alone. The start is cooler where water softens the polymer: the run gets hotter only after a first stage
    that dries the spool enough.
    """

    cap_c: float
    part: Statement
    parts: list[Part]
    start_c: float
    start_part: Statement
    start_parts: list[Part]

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
    parts = _all_parts(spool, dryer, [*((other, False) for other in others), *beside], False)
    start_parts = _all_parts(spool, dryer, [*((other, True) for other in others), *beside], True)
    part, cap_c = _lowest(parts)
    start_part, start_c = _lowest(start_parts)
    return Cap(cap_c, part, parts, start_c, start_part, [row for row in start_parts if row not in parts])


def limiting_spool(spools: Sequence[Spool], dryer: Place, inside: Sequence[Spool]) -> Spool:
    """The spool with the lowest cap, of those that start and those inside."""
    caps = [(compute_cap(spool, dryer), spool) for spool in [*spools, *inside]]
    return min(caps, key=lambda row: (row[0].cap_c, row[0].start_c))[1]


def suggested_set_point_c(spool: Spool, dryer: Place, others: Iterable[Spool] = ()) -> float:
    """The usual drying temperature of a run in one stage, at most the cap less the dryer's error, in °C."""
    limit_c = compute_cap(spool, dryer, others).start_c - dryer.set_point_error_c
    return float(math.floor(min(material_values(spool.feedstock).dry_set_c, limit_c)))


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
            f"{set_point_c:g} °C is too hot: {lowest.reason.sentence}. Dry at {lowest.cap_c:g} °C or below.",
            "set_point_c",
        )


def _all_parts(
    spool: Spool, dryer: Place, beside: Sequence[tuple[Spool, bool]], starting: bool
) -> list[Part]:
    """All limits. beside: the other spools, and whether they start at the same time."""
    parts = _spool_parts(spool, starting)
    for other, starts in beside:
        part, limit_c = _lowest(_spool_parts(other, starts))
        beside_it = {"spool": other.code, "part": part.as_data()}
        parts.append((Statement("cap.neighbour", beside_it), limit_c))
    if dryer.max_set_point_c is not None:
        parts.append((Statement("cap.dryer", {"dryer": str(dryer)}), dryer.max_set_point_c))
    return parts


def _lowest(parts: list[Part]) -> Part:
    return min(parts, key=lambda part: part[1])


def _spool_parts(spool: Spool, starting: bool) -> list[Part]:
    """The limits of the winding and of the reel. starting: the winding may be as wet as it came."""
    parts = _winding_parts(spool.feedstock, starting)
    if spool.core_cap_c is not None:
        parts.append((Statement("cap.reel_stated"), spool.core_cap_c))
    else:
        material = Spool.CoreMaterial(spool.core_material)
        parts.append((Statement("cap.reel", {"material": material.value}), CORE_CAP_C[material]))
    return parts


def _winding_parts(feedstock: Feedstock, starting: bool) -> list[Part]:
    """The catalogue's limits. A coupon test outranks them, except at the start where water softens."""
    polymer, values = feedstock.polymer, material_values(feedstock)
    soft = softened_by_water(polymer)
    # The catalogue's softening point of such a polymer is the wet one: the first stage takes care of it.
    softens_c = feedstock.softening_c if soft else values.softening_c
    table = [("cap.drying", values.dry_cap_c), ("cap.softening", softens_c)]
    of_it = {"polymer": polymer.name}
    parts = [(Statement(code, of_it), limit_c) for code, limit_c in table if limit_c is not None]
    passed_c, failed_c = feedstock.coupon_passed_c, feedstock.coupon_failed_c
    if passed_c is not None and passed_c > _lowest(parts)[1]:
        parts = [(Statement("cap.coupon_passed", of_it | {"passed_c": passed_c}), passed_c)]
        if heat_budget.is_polyamide(polymer):
            parts.append((Statement("cap.oxidation", of_it), heat_budget.HOTTEST_IN_AIR_C))
    if failed_c is not None:
        failed = Statement("cap.coupon_failed", of_it | {"failed_c": failed_c})
        parts.append((failed, failed_c - coupons.BELOW_FAILED_K))
    if soft and starting:
        parts.append((Statement("cap.wet", of_it), softening.START_CAP_C))
    return parts
