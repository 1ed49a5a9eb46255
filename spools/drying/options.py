"""Drying options and plans: the request for a plan, the options that are compared, and the plan itself."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import NamedTuple

from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from spools import limits
from spools.catalogue.values import material_values
from spools.checks import require_within
from spools.drying.caps import Cap
from spools.drying.gate import FirstStage
from spools.drying.heat_budget import Heat
from spools.drying.runs import default_target_pct
from spools.models import Place, Spool
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_mass, format_stages

# The hours at which a forecast of drying, or of storage, is evaluated.
DRYING_PROBE_HOURS = (0.5, 1, 1.5, 2, 3, 4, 5, 6, 8, 10, 12, 15, 18, 21, 24, 30, 36, 42, 48, 60, 72, 84, 96)
STORAGE_PROBE_HOURS = (1, 2, 4, 8, 12, 24, 48, 96, 168, 336, 720, 1440, 2880, 5760, 8760)
# The goals of drying: to print well, or the stricter limit for parts that bear load.
WELL, STRONG = "well", "strong"
GOALS = {WELL: gettext_lazy("prints well"), STRONG: gettext_lazy("strong parts")}
# A usual set point that takes longer gives way to a quicker one.
LONGEST_USUAL_H = 24.0
# Where all of a spool takes longer, the turns of a small job are offered beside it. Common practice, no source.
LONGEST_WHOLE_H = 48.0
# A wet amorphous spool starts that much cooler, for that long (fixtures/reference/README.md).
WET_START_K, WET_START_H = 10.0, 2.0
LIKELY = 0.5
# The distance between the set points that are compared.
STEP_K = 5
# The lowest useful set point: cooler than this, or nearer to the room, air is hardly drier than in the room. Common
# practice, no source.
LEAST_C, LEAST_ABOVE_ROOM_K = 30.0, 10.0
# The reserve of a planned first stage, so that a start some time after the plan still passes the gate.
IN_HAND_H = 0.25


QUARTER = timedelta(minutes=15)
# Hours of drying are rounded up to steps of about a tenth, as people give them: below each of these hours the step.
HOUR_STEPS = ((10.0, 0.5), (24.0, 1.0), (48.0, 2.0), (100.0, 4.0), (math.inf, 10.0))


def round_hours(hours: float) -> float:
    """Hours of drying, rounded up as people give them: 3.5, 11, 40 h."""
    step = next(step for below, step in HOUR_STEPS if hours <= below)
    return math.ceil(hours / step - 1e-9) * step


def next_quarter(at: datetime) -> datetime:
    """The start of the quarter of an hour that begins at a time or next after it.

    Times that people read are rounded so: the answer is the same at two looks within a quarter of an hour.
    """
    whole = at.replace(minute=0, second=0, microsecond=0)
    return whole + -(-(at - whole) // QUARTER) * QUARTER


class StaysGood(NamedTuple):
    """Hours in a place until a spool may no longer print well, and until it may be over its print limit.

    None: more than the last of STORAGE_PROBE_HOURS.
    """

    place: Place
    well_h: float | None
    printable_h: float | None

    @property
    def statement(self) -> Statement:
        values = {"place": str(self.place), "well_h": self.well_h, "printable_h": self.printable_h}
        return Statement("drying.stays_good", values)


@dataclass(frozen=True)
class Slot:
    """When a dryer can take a spool.

    wait_for: codes of the spools that are in it until then. take_out: of those that are in it and done.
    shares_with: of those that it joins.
    """

    start: datetime
    wait_for: list[str]
    take_out: list[str]
    shares_with: list[str]

    @property
    def waits(self) -> list[Statement]:
        """Why the dryer cannot take it now; empty where it can."""
        waits = []
        if self.wait_for:
            values = {"spools": self.wait_for, "until": self.start.isoformat()}
            waits.append(Statement("drying.waits_for", values))
        if self.take_out:
            waits.append(Statement("drying.take_out_first", {"spools": self.take_out}))
        return waits


@dataclass(frozen=True)
class DryingOption:
    """One option that was compared: its stages, hours in all (None: never enough), and its share of heat.

    likely_h: hours that are enough with even chances; None where even they are too many.
    run_share: of the budget of hot air for one run; None where none is published or the hours never suffice.
    """

    set_point_c: float
    first: FirstStage | None
    hours: float | None
    likely_h: float | None
    floor_pct: float
    run_share: float | None
    recommended: bool
    why: Statement | None

    @property
    def stages(self) -> list[tuple[float, float | None]]:
        """(set point in °C, hours) of each stage; the last one's hours are None when never enough."""
        if self.first is None:
            return [(self.set_point_c, self.hours)]
        rest = None if self.hours is None else self.hours - self.first.hours
        return [(self.first.set_point_c, self.first.hours), (self.set_point_c, rest)]


@dataclass(frozen=True)
class Plan:
    """Drying a spool in a dryer.

    hours and ready_at are None when the target cannot be reached there; reason says why, or what to expect.
    floor_pct: the moisture that this air leaves after any time (the median of the members).
    slot: from when on, and the spools that are in the dryer before. stays_good: for each place of the shop,
    hours until the turns needed may no longer print well, and until they may be over the print limit; None
    for a year and more. options: all that were compared, the recommended one first. limited_by: the limit
    that binds. heat: the heat that the spool has had in dryers; life_share: its share of the budget for life
    after this plan. notes: cautions. blocked: the refusal of a start now; None when it can start.
    possible: no, for a spool that is in a run or empty. mass_g: the outermost grams that alone get dry; None: all.
    """

    option: DryingOption
    cap: Cap
    reason: Statement
    slot: Slot
    target_pct: float
    stays_good: list[StaysGood]
    options: list[DryingOption]
    limited_by: Statement
    heat: Heat
    life_share: float | None
    notes: list[Statement]
    blocked: ValidationError | None
    possible: bool
    mass_g: float | None = None

    @property
    def ready_at(self) -> datetime | None:
        """When it is dry by this plan."""
        if self.hours is None or not self.possible:
            return None
        return self.slot.start + timedelta(hours=self.hours)

    @property
    def set_point_c(self) -> float:
        """Of the last stage."""
        return self.option.set_point_c

    @property
    def first(self) -> FirstStage | None:
        return self.option.first

    @property
    def hours(self) -> float | None:
        return self.option.hours

    @property
    def likely_h(self) -> float | None:
        return self.option.likely_h

    @property
    def reachable(self) -> bool:
        return self.option.hours is not None

    @property
    def floor_pct(self) -> float:
        return self.option.floor_pct

    @property
    def stages(self) -> list[tuple[float, float | None]]:
        return self.option.stages

    @property
    def waits(self) -> list[Statement]:
        return self.slot.waits

    @property
    def stages_in_words(self) -> str:
        """What gets dry, and how."""
        stages = format_stages(self.stages)
        if self.mass_g is None:
            return stages
        return _("Its outer {mass}: {stages}").format(mass=format_mass(self.mass_g), stages=stages)


@dataclass(frozen=True)
class PlanRequest:
    """A request for a plan: set point (None: the best), grams of outer turns (None: all), target or goal.

    Refused: numbers outside the limits, an unknown goal, a goal and a target together.
    """

    set_point_c: float | None = None
    mass_g: float | None = None
    target_pct: float | None = None
    goal: str = WELL

    def __post_init__(self) -> None:
        if self.mass_g is not None:
            require_within("mass_g", self.mass_g, *limits.NEEDED_G)
        if self.target_pct is not None:
            require_within("target_pct", self.target_pct, *limits.TARGET_PCT)
        if self.goal not in GOALS:
            raise refusal("unknown_goal", _("Give one of {goals}.").format(goals=", ".join(GOALS)), "goal")
        if self.goal != WELL and self.target_pct is not None:
            raise refusal("goal_or_target", _("Give a goal or a target of your own, not both."), "target_pct")

    def target_of(self, spool: Spool) -> float:
        """The moisture to reach, %. Refused: strong parts where no limit is published for the polymer."""
        if self.target_pct is not None:
            return self.target_pct
        if self.goal == WELL:
            return default_target_pct(spool)
        limit_pct = strong_limit_pct(spool)
        if limit_pct is None:
            raise refusal(
                "no_strong_limit",
                _("For {polymer} no limit for strong parts is published. Plan for printing well.").format(
                    polymer=spool.feedstock.polymer
                ),
                "goal",
            )
        return limit_pct


@dataclass(frozen=True)
class BatchPlan:
    """Spools that go into a dryer together: one plan each, with the stages that all of them have.

    hours: until all are dry, None when one never is. limiting_spool: the spool with the lowest cap.
    without_limiting_c: the cap of the others without it, None where it is alone or nothing changes.
    options: all that were compared, with the hours for all spools. mass_g: the outermost grams that get dry, of
    each; None for all.
    """

    plans: list[tuple[Spool, Plan]]
    set_point_c: float
    first: FirstStage | None
    hours: float | None
    cap: Cap
    limiting_spool: Spool
    without_limiting_c: float | None
    options: list[DryingOption]
    mass_g: float | None

    @property
    def stages(self) -> list[tuple[float, float | None]]:
        return self.options[0].stages

    @property
    def early(self) -> list[tuple[Spool, float]]:
        """Spools that are dry some time before the last one, the earliest first, with their hours."""
        dry = [(spool, plan.hours) for spool, plan in self.plans if plan.hours is not None]
        return sorted(
            [(spool, hours) for spool, hours in dry if self.hours is None or hours < self.hours],
            key=lambda row: row[1],
        )


def strong_limit_pct(spool: Spool) -> float | None:
    """The published limit for melt processing, %, where the polymer has one."""
    return material_values(spool.feedstock).moulding_limit_pct


def join_options(options: Sequence[DryingOption]) -> DryingOption:
    """One option for several spools: the hours until all are dry, and the highest share of a budget."""
    hours = [option.hours for option in options if option.hours is not None]
    shares = [option.run_share for option in options if option.run_share is not None]
    likely = [option.likely_h for option in options if option.likely_h is not None]
    never = len(hours) < len(options)
    return replace(
        options[0],
        hours=None if never else max(hours),
        likely_h=max(likely) if len(likely) == len(options) else None,
        floor_pct=max(option.floor_pct for option in options),
        run_share=None if never else max(shares, default=None),
    )
