"""Drying runs: the start and the end of a spool's time in a dryer at a set point."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from spools import limits
from spools.catalogue.values import material_values
from spools.checks import lock_spool, lock_spool_facts, require_in_use, require_past_time, require_within
from spools.codes import pretty
from spools.drying import heat_budget
from spools.drying.caps import Cap
from spools.drying.gate import FirstStage, check_start
from spools.invalidation import invalidate_advice, invalidate_after
from spools.inventory import ledger
from spools.inventory.moves import current_stay, lock_dryer, place_spool, require_not_in_run, require_target
from spools.inventory.prints import require_not_printing
from spools.inventory.stays import require_unheated
from spools.models import DryingRun, Place, PlannedDrying, Spool
from spools.moisture.history import least_drying_hours
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_significant, format_time


@dataclass(frozen=True)
class DryingSettings:
    """The settings of a drying run: set points in °C, hours, target.

    first_set_point_c, first_hours: of a cooler first stage; both or neither. planned_hours: of all stages;
    without them the polymer's usual least. planned_hours, target_pct: one for all spools, or by spool id;
    without a target the moisture that prints well. masses_g: the outermost grams that must get dry, by spool
    id; all without them. override_reason: why the run starts though a spool does not get dry.
    Refused: one field of a first stage without the other.
    """

    set_point_c: float
    first_set_point_c: float | None = None
    first_hours: float | None = None
    planned_hours: float | Mapping[int, float] | None = None
    target_pct: float | Mapping[int, float] | None = None
    masses_g: Mapping[int, float | None] = field(default_factory=dict)
    override_reason: str = ""

    def __post_init__(self) -> None:
        if self.first_set_point_c is None and self.first_hours is not None:
            raise refusal(
                "first_stage_incomplete",
                _("Give the first stage's set point too, or no hours."),
                "first_set_point_c",
            )
        if self.first_hours is None and self.first_set_point_c is not None:
            raise refusal(
                "first_stage_incomplete",
                _("Give the first stage's hours too, or no set point."),
                "first_hours",
            )

    @property
    def first(self) -> FirstStage | None:
        if self.first_set_point_c is None or self.first_hours is None:
            return None
        return FirstStage(self.first_set_point_c, self.first_hours)

    def hours_of(self, spool: Spool, first: FirstStage | None) -> float:
        """The planned hours of a spool in all stages. Refused: no more than the first stage takes."""
        hours = self.planned_hours
        if isinstance(hours, Mapping):
            hours = hours.get(spool.pk)
        if hours is None:
            return _usual_hours(spool, first)
        hours = require_within("planned_hours", hours, *limits.RUN_HOURS)
        if first is not None and hours <= first.hours:
            raise refusal(
                "first_stage_longer",
                _("The first stage alone takes {hours} h. Give the hours of both stages together.").format(
                    hours=format_significant(first.hours)
                ),
                "planned_hours",
            )
        return hours

    def target_of(self, spool: Spool) -> float:
        """The target of a spool, %. Refused: one outside the limits."""
        target_pct = self.target_pct
        if isinstance(target_pct, Mapping):
            target_pct = target_pct.get(spool.pk)
        if target_pct is None:
            return default_target_pct(spool)
        return require_within("target_pct", target_pct, *limits.TARGET_PCT)

    def mass_of(self, spool: Spool) -> float | None:
        """The outermost grams of a spool that must get dry; None: all. Refused: a mass outside the limits."""
        mass_g = self.masses_g.get(spool.pk)
        return None if mass_g is None else require_within("mass_g", mass_g, *limits.NEEDED_G)


def default_target_pct(spool: Spool) -> float:
    """The moisture at which the polymer prints well, %."""
    return material_values(spool.feedstock).limit_clear_pct


@transaction.atomic
def start_drying(
    spools: Sequence[Spool],
    dryer: Place,
    settings: DryingSettings,
    *,
    at: datetime | None = None,
    gross_g: Mapping[int, float] | None = None,
    resolution_g: float = 1.0,
    holds: Mapping[int, Statement] | None = None,
    by: Any = None,
) -> list[DryingRun]:
    """Puts spools in a dryer at a set point: the only way into a drying run.

    holds: why a spool does not get dry so, by spool id; it needs a reason.
    gross_g: the masses of spools that were weighed before, by spool id. A first stage that the dryer is in
    already ends when it ends for the spools in there.
    Refused: see require_set_point; no spool, a spool that is empty or in a drying run already.
    """
    if not spools:
        raise refusal("no_spool", _("Choose at least one spool to dry."), "spools")
    at = require_past_time(at)
    # The dryer first, then the spools in the order of their ids: two starts wait instead of blocking.
    lock_spool_facts()
    dryer = Place.objects.select_for_update(no_key=True).get(pk=dryer.pk)
    spools = [lock_spool(spool) for spool in sorted(set(spools), key=lambda spool: spool.pk)]
    for spool in spools:
        _require_free(spool, dryer, at)
    caps, first = check_start(spools, dryer, settings.set_point_c, settings.first, at)
    _require_reason(holds or {}, settings.override_reason)
    weighed = gross_g or {}
    runs = []
    for spool in spools:
        _require_not_before_stay(spool, at)
        before = None
        if spool.pk in weighed:
            before = ledger.weigh(spool, weighed[spool.pk], resolution_g=resolution_g, at=at, by=by)
        runs.append(
            DryingRun.objects.create(
                spool=spool,
                dryer=dryer,
                first_set_point_c=first.set_point_c if first else None,
                first_hours=first.hours if first else None,
                set_point_c=settings.set_point_c,
                **_cap_fields(caps[spool.pk], first),
                planned_hours=settings.hours_of(spool, first),
                target_pct=settings.target_of(spool),
                mass_g=settings.mass_of(spool),
                start=at,
                move=place_spool(spool, dryer, at, by),
                before=before,
                **_hold_fields(spool, holds, settings),
                recorded_by=by,
            )
        )
    invalidate_dryer(dryer, at)
    _link_to_plan(runs)
    invalidate_advice()
    return runs


def invalidate_dryer(dryer: Place, at: datetime) -> None:
    """Deletes what was computed from a time on for the spools in a dryer, which share its chamber's air."""
    runs = DryingRun.objects.filter(Q(end=None) | Q(end__gte=at), dryer=dryer)
    invalidate_after(set(runs.values_list("spool", flat=True)), at)


def _require_free(spool: Spool, dryer: Place, at: datetime) -> None:
    """Refused: a spool that has ended, is in a run or in a print; one that is fed from the dryer dries and prints."""
    require_in_use(spool)
    require_past_time(at, spool)
    require_not_in_run(spool, at)
    stay = current_stay(spool)
    if stay is None or stay.place_id != dryer.pk:
        require_not_printing(spool, at)


def _require_not_before_stay(spool: Spool, at: datetime) -> None:
    """Refused: a start before the spool came to the place where it is."""
    stay = current_stay(spool)
    if stay is not None and at < stay.start:
        raise refusal(
            "before_stay",
            _("Spool {code} came to {place} on {at}. Give a later time.").format(
                code=pretty(spool.code), place=stay.place, at=format_time(stay.start)
            ),
            "at",
        )


def _hold_fields(
    spool: Spool, holds: Mapping[int, Statement] | None, settings: DryingSettings
) -> dict[str, Any]:
    hold = (holds or {}).get(spool.pk)
    return {"hold": hold, "override_reason": "" if hold is None else settings.override_reason}


def _require_reason(holds: Mapping[int, Statement], override_reason: str) -> None:
    """Refused: a run in which a spool does not get dry, without a reason."""
    if holds and not override_reason:
        sentences = " ".join(dict.fromkeys(hold.sentence for hold in holds.values()))
        raise refusal(
            "on_hold",
            _("On hold: {reasons} It can be started all the same with a reason, which is stored.").format(
                reasons=sentences
            ),
            "override_reason",
        )


def _link_to_plan(runs: Iterable[DryingRun]) -> None:
    """Links the runs to the dryings that the accepted plan of the week has for their spools and dryers."""
    planned = PlannedDrying.objects.filter(
        plan__accepted_at__isnull=False, plan__ended_at=None, ended_at=None, run=None
    )
    for run in runs:
        planned.filter(spool=run.spool_id, dryer=run.dryer_id).update(run=run)


def _cap_fields(cap: Cap, first: FirstStage | None) -> dict[str, Any]:
    """The fields of a run that store its caps. A run in a single stage starts with its set point."""
    starts_only = first is None and cap.two_stages
    return {
        "start_cap_c": cap.start_c,
        "cap_c": cap.start_c if starts_only else cap.cap_c,
        "cap_reason": cap.start_reason if starts_only else cap.reason,
    }


def _usual_hours(spool: Spool, first: FirstStage | None) -> float:
    """The polymer's usual least hours, and at least one hour after a first stage."""
    usual = least_drying_hours(spool)
    return usual if first is None else max(usual, first.hours + 1)


@transaction.atomic
def finish_drying(
    run: DryingRun,
    *,
    place: Place,
    at: datetime | None = None,
    gross_g: float | None = None,
    resolution_g: float = 1.0,
    by: Any = None,
) -> DryingRun:
    """Ends a drying run and puts the spool in ``place``; gross_g: its mass after drying, with the reel.

    Refused: a run that has ended, an end before its start or in the future, a dryer in which others dry, and a place
    that require_target refuses.
    """
    require_target(place)
    lock_dryer(place)
    spool = lock_spool(run.spool)
    run = DryingRun.recorded.select_for_update(no_key=True).get(pk=run.pk)
    if run.withdrawn_at is not None:
        raise refusal(
            "withdrawn_already",
            _("This run was withdrawn on {at} already.").format(at=format_time(run.withdrawn_at)),
        )
    at = require_past_time(at, spool)
    if run.end is not None:
        raise refusal(
            "finished_already", _("This run was finished on {at} already.").format(at=format_time(run.end))
        )
    if at <= run.start:
        raise refusal(
            "before_start",
            _("The run began on {at}. Give a later time.").format(at=format_time(run.start)),
            "at",
        )
    if gross_g is not None:
        run.after = ledger.weigh(spool, gross_g, resolution_g=resolution_g, at=at, by=by)
    run.end = at
    run.save(update_fields=["end", "after"])
    require_unheated(place, at)
    run.move_out = place_spool(spool, place, at, by)
    run.save(update_fields=["move_out"])
    invalidate_dryer(run.dryer, at)
    invalidate_advice()
    return run


def heat_caution(run: DryingRun) -> Statement | None:
    """The caution that a run as planned is too much heat for a polyamide, with the hours in all that do."""
    *first, (set_point_c, hours) = run.planned_stages
    share = heat_budget.run_share(run.spool, run.planned_stages)
    if share is None or share <= heat_budget.ALL:
        return None
    rest = heat_budget.run_share(run.spool, [(set_point_c, hours)]) or 0.0
    used = sum(hours for _, hours in first) + hours * max(0.0, heat_budget.ALL - (share - rest)) / rest
    values = {"share": share, "set_point_c": set_point_c, "hours": math.floor(used)}
    return Statement("drying.planned_heat", values)
