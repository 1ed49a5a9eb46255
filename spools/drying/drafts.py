"""Drafts of drying options, and the spools, dryer and air that they are computed for."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum

from spools.air.climate import Climate
from spools.drying import heat_budget
from spools.drying.caps import Cap, compute_cap
from spools.drying.gate import FirstStage
from spools.drying.heat_budget import Stage
from spools.models import DryingRun, Place, Spool
from spools.moisture.state import Moisture
from spools.physics_inputs import DOUBT, Array, ConstantAir, Interval, Winding


class FirstStageReason(Enum):
    """The reason of a first stage."""

    # Water softens the polymer; the stage lasts until it is hard at the set point.
    SOFT = "soft"
    # A wet amorphous spool starts cooler.
    WET = "wet"
    # The dryer is in this stage already.
    SHARED = "shared"
    # All of it at the set point would be too much heat for one run.
    HEAT = "heat"


@dataclass
class Draft:
    """An option for all spools of a load while its hours are computed.

    hours: of each spool of the load; empty: not computed, since another option is quicker.
    likely_hours: until each is dry with even chances.
    """

    set_point_c: float
    first_c: float | None = None
    first_hours: float | None = None
    first_reason: FirstStageReason | None = None
    possible: bool = True
    hours: list[float | None] = field(default_factory=list)
    likely_hours: list[float | None] = field(default_factory=list)

    @property
    def first(self) -> FirstStage | None:
        if self.first_c is None or self.first_hours is None:
            return None
        return FirstStage(self.first_c, self.first_hours)

    @property
    def total(self) -> float | None:
        """Hours until all of the load are dry; None when one never is, or where they are not computed."""
        reached = [hours for hours in self.hours if hours is not None]
        return max(reached) if self.hours and len(reached) == len(self.hours) else None

    def stages(self, hours: float) -> list[Stage]:
        first = self.first
        if first is None:
            return [(self.set_point_c, hours)]
        return [(first.set_point_c, first.hours), (self.set_point_c, max(0.0, hours - first.hours))]


@dataclass
class DryerLoad:
    """Spools that are to go into a dryer together, their inputs, and the drafts of their options.

    beside: the runs that they join; empty: they have the dryer to themselves. masses_g: the outermost grams of
    each spool that must get dry; None: all of it. asked: whether a set point was asked for; it is that of the
    first draft. stated: the same with a stated reel, where an unknown reel sets the cap. neighbours: so many spools
    more may join them. first_hours, started: what drafts with the same first stage share: the hours of the stage by
    spool number, its temperature and set point, and the winding after it by spool number and stage.
    """

    spools: Sequence[Spool]
    dryer: Place
    beside: list[DryingRun]
    caps: list[Cap]
    room: Climate
    states: list[Moisture]
    targets_pct: list[float]
    masses_g: list[float | None]
    at: datetime
    drafts: list[Draft] = field(default_factory=list)
    asked: bool = False
    stated: "DryerLoad | None" = None
    neighbours: int = 0
    first_hours: dict[tuple[int, float, float], float | None] = field(init=False, default_factory=dict)
    started: dict[tuple[int, FirstStage], Winding] = field(init=False, default_factory=dict)

    @property
    def together(self) -> int:
        """How many spools give off water into the chamber."""
        return len(self.spools) + max(len(self.beside), self.neighbours)

    def heated_air(self, celsius: float, hours: float = 0.0) -> ConstantAir:
        """The air of the room, heated in the dryer."""
        return self.room.heated(celsius, hours, self.together)

    def floor_pct(self, draft: Draft, n: int) -> float:
        """The moisture that a draft's air leaves in spool n after any time."""
        return Interval.from_members(self._floors_pct(draft.set_point_c, n)).p50

    def is_floored(self, set_point_c: float, n: int) -> bool:
        """Whether the air at a set point may be too humid for the target of spool n, however long it takes."""
        return bool((self._floors_pct(set_point_c, n) > self.targets_pct[n]).mean() > DOUBT)

    def _floors_pct(self, set_point_c: float, n: int) -> Array:
        return self.states[n].winding.floor_pct(self.heated_air(set_point_c))

    def key(self) -> Hashable:
        """Loads with the same key have the same drafts with the same hours."""
        return (
            tuple(spool.pk for spool in self.spools),
            tuple(run.pk for run in self.beside),
            tuple((cap.cap_c, cap.start_c) for cap in self.caps),
            (self.room.temperature_c, self.room.rh_pct),
            (self.dryer.set_point_error_c, self.room.chamber, self.together, self.at),
            tuple((draft.set_point_c, draft.first_c) for draft in self.drafts),
            tuple(self.masses_g),
        )

    def softened(self, draft: Draft) -> list[int]:
        """The numbers of the spools that water may soften at a draft's set point."""
        asked = self.asked and draft is self.drafts[0]
        hardest_c = min(cap.start_c if asked else cap.start_hottest_c for cap in self.caps)
        if draft.set_point_c <= hardest_c:
            return []
        return [n for n, cap in enumerate(self._caps_alone) if cap.two_stages]

    @property
    def _caps_alone(self) -> list[Cap]:
        """The cap of each spool alone in the dryer."""
        if len(self.spools) == 1 and not self.beside:
            return self.caps
        return [compute_cap(spool, self.dryer) for spool in self.spools]

    def run_shares(self, draft: Draft) -> list[float]:
        """The share of one run's heat budget that a draft uses, for each spool."""
        return [
            heat_budget.run_share(spool, draft.stages(hours or 0.0)) or 0.0
            for spool, hours in zip(self.spools, draft.hours, strict=True)
        ]

    def keeps_to_budget(self, draft: Draft) -> bool:
        """Whether a draft keeps to the heat budget of one run, for all spools."""
        return max(self.run_shares(draft)) <= heat_budget.ALL
