"""Starts of drying runs at requested stages: their hours are computed, and a run in vain is a hold.

The gate of runs.start_drying refuses runs that would do damage. A run that does none and still does not get its
spools dry is on hold, as a loading may be: it starts only with a reason, which is stored.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from django.utils.translation import gettext as _

from spools import limits
from spools.air.climate import room_airs
from spools.checks import require_past_time, require_within
from spools.drying import search
from spools.drying.caps import compute_cap
from spools.drying.drafts import Draft, DryerLoad
from spools.drying.gate import require_dryer
from spools.drying.options import IN_HAND_H, round_hours
from spools.drying.plan_statements import explain_result
from spools.drying.runs import DryingSettings, start_drying
from spools.models import DryingRun, Place, Spool
from spools.moisture.state import moisture_of
from spools.refusals import refusal

MOST_REASON = 300


def start_as_asked(
    spools: Sequence[Spool],
    dryer: Place,
    settings: DryingSettings,
    *,
    at: datetime | None = None,
    gross_g: Mapping[int, float] | None = None,
    resolution_g: float = 1.0,
    by: Any = None,
) -> list[DryingRun]:
    """Start a run of several spools in a dryer, each with the hours that the requested stages take.

    Planned hours in the settings replace the computed ones. Refused: see start_drying; a run in which a spool
    never gets dry, without a reason.
    """
    at, settings = require_past_time(at), replace(settings, override_reason=settings.override_reason.strip())
    if len(settings.override_reason) > MOST_REASON:
        raise refusal(
            "too_long", _("Give at most {most} characters.").format(most=MOST_REASON), "override_reason"
        )
    for name, value in (
        ("set_point_c", settings.set_point_c),
        ("first_set_point_c", settings.first_set_point_c),
    ):
        if value is not None:
            require_within(name, value, *limits.SET_POINT_C)
    if settings.first_hours is not None:
        require_within("first_hours", settings.first_hours, *limits.RUN_HOURS)
    load = _build_load(spools, dryer, settings, at)
    draft = load.drafts[0]
    holds = {
        spool.pk: explain_result(load, draft, n) for n, spool in enumerate(spools) if draft.hours[n] is None
    }
    if settings.planned_hours is None:
        shortest = IN_HAND_H + (settings.first.hours if settings.first else 0.0)
        hours = {
            spool.pk: max(round_hours(exact), shortest)
            for spool, exact in zip(spools, draft.hours, strict=True)
            if exact is not None
        }
        settings = replace(settings, planned_hours=hours)
    return start_drying(
        spools,
        dryer,
        settings,
        holds=holds,
        at=at,
        gross_g=gross_g,
        resolution_g=resolution_g,
        by=by,
    )


def _build_load(
    spools: Sequence[Spool],
    dryer: Place,
    settings: DryingSettings,
    at: datetime,
) -> DryerLoad:
    """The load with the requested stages and their hours, for the state of each spool at the start."""
    require_dryer(dryer)
    states = moisture_of(spools, at)
    first = settings.first
    targets_pct = [settings.target_of(spool) for spool in spools]
    load = DryerLoad(
        spools=spools,
        dryer=dryer,
        beside=[],
        caps=[compute_cap(spool, dryer, spools) for spool in spools],
        room=room_airs([dryer], at)[dryer.pk],
        states=[states[spool.pk] for spool in spools],
        targets_pct=targets_pct,
        masses_g=[
            search.counted_mass_g(states[spool.pk], target_pct, settings.mass_of(spool))
            for spool, target_pct in zip(spools, targets_pct, strict=True)
        ],
        at=at,
        asked=True,
    )
    first_c, first_hours = first or (None, None)
    load.drafts = [Draft(settings.set_point_c, first_c, first_hours)]
    search.compute_drafts([load], all_options=True)
    return load
