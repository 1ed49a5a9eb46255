"""Drying runs that need a person, and polyamides whose heat budget is nearly used."""

from collections import defaultdict
from collections.abc import Mapping
from datetime import datetime, timedelta

from maintenance.models import Reminder
from maintenance.reminders.conditions.conditions import Conditions
from spools.air.climate import Climate, room_airs
from spools.catalogue.values import material_values
from spools.codes import pretty
from spools.drying import heat_budget
from spools.drying.forecast import estimate_dry_times, needed_until
from spools.drying.options import STORAGE_PROBE_HOURS
from spools.models import DryingRun, Polymer
from spools.moisture.history import least_drying_hours
from spools.moisture.state import Moisture, moisture_of
from spools.physics_inputs import SMALL_JOB_G, ConstantAir, hours_until
from spools.wording import format_duration, format_number, format_time

Kind = Reminder.Kind
# Urgent so long after the time: a spool that takes up water again or is heated for nothing, a stage that
# dries too little. Common practice, no source.
LATE_OUT, LATE_UP = timedelta(hours=3), timedelta(hours=1)


def check_drying_runs(now: datetime) -> Conditions:
    """Drying runs whose planned hours, or those of their first stage, are over."""
    conditions = Conditions([Kind.DRYER_UP, Kind.DRYING_DONE])
    runs = list(
        DryingRun.objects.filter(end=None).select_related(
            "spool__feedstock__polymer", "spool__feedstock__filler", "dryer__room"
        )
    )
    done = [run for run in runs if run.planned_end <= now]
    airs = room_airs([run.dryer for run in done], now) if done else {}
    moistures = moisture_of([run.spool for run in done], now) if done else {}
    wet_again_h = _hours_until_wet(done, moistures, airs)
    windings = [(run, moistures[run.spool_id].winding) for run in done]
    likely_dry = dict(zip((run.pk for run in done), estimate_dry_times(windings, now, airs), strict=True))
    for run in runs:
        if run.change_at is not None and run.change_at <= now < run.planned_end:
            urgent = run.change_at + LATE_UP <= now
            # Nobody turns a dryer up twice, however long the second stage takes.
            conditions.open(_turn_up(run, run.change_at), urgent=urgent, last_event_at=run.change_at)
    for run in done:
        late = needed_until(run, likely_dry[run.pk], now)
        reminder = _take_out(run, airs[run.dryer_id], wet_again_h[run.pk], late)
        conditions.open(reminder, urgent=late is None and run.planned_end + LATE_OUT <= now)
    return conditions


def _hours_until_wet(
    runs: list[DryingRun], moistures: Mapping[int, Moisture], airs: dict[int, Climate]
) -> dict[int, float | None]:
    """Hours in the air of its dryer's room until each may be over the print limit again, by run id.

    A dryer that was switched off has that air inside, too.
    """
    lanes, limits_pct = [], []
    for run in runs:
        room = airs[run.dryer_id]
        lanes.append((moistures[run.spool_id].winding, ConstantAir(0.0, room.temperature_c, room.rh_pct)))
        limits_pct.append(material_values(run.spool.feedstock).limit_hold_pct)
    hours = hours_until(lanes, limits_pct, SMALL_JOB_G, STORAGE_PROBE_HOURS, below=False)
    return dict(zip((run.pk for run in runs), hours, strict=True))


def _turn_up(run: DryingRun, change_at: datetime) -> Reminder:
    return Reminder(
        kind=Kind.DRYER_UP,
        condition=f"dryer_up:run:{run.pk}",
        title=f"Turn {run.dryer} up to {run.set_point_c:g} °C",
        why=f"The first stage of {pretty(run.spool.code)}, {run.first_hours:.4g} h at "
        f"{run.first_set_point_c:g} °C, was over {format_time(change_at)}; the plan assumes a higher temperature from here.",
        remedy="Turn it up and mark this as done.",
        spool=run.spool,
        place=run.dryer,
        due_at=change_at,
    )


def _take_out(run: DryingRun, air: Climate, wet_again_h: float | None, late: datetime | None) -> Reminder:
    """late: when it is likely dry enough, where its planned hours did not make it so."""
    if wet_again_h is None:
        again = f"stay below the print limit for {format_duration(STORAGE_PROBE_HOURS[-1])}"
    elif wet_again_h:
        again = f"may be over the print limit again after {format_duration(round(wet_again_h, 1))}"
    else:
        again = "may be over the print limit as they are"
    title = f"Take {pretty(run.spool.code)} out of {run.dryer}"
    why = f"{run.planned_hours:.4g} h ({run.temperatures}) were over {format_time(run.planned_end)}. "
    remedy = "Finish the run on the drying page and put the spool into dry storage."
    if late is not None:
        title = f"{pretty(run.spool.code)} needs longer in {run.dryer} than planned"
        why += f"All of it is likely dry enough only from {format_time(late)}. "
        remedy = f"Leave it in until then. {remedy}"
    return Reminder(
        kind=Kind.DRYING_DONE,
        condition=f"drying_done:run:{run.pk}",
        title=title,
        why=f"{why}In the room's air, {air.temperature_c:.0f} °C and {air.rh_pct:.0f} % RH, outside or in "
        f"the dryer once it is off, its outer {SMALL_JOB_G:.0f} g {again}.",
        remedy=remedy,
        spool=run.spool,
        place=run.dryer,
        due_at=late or run.planned_end,
    )


def check_heat_budgets(now: datetime) -> Conditions:
    """Spools whose next usual drying would exceed the heat budget of a polyamide."""
    conditions = Conditions([Kind.HEAT])
    polyamides = [polymer for polymer in Polymer.objects.all() if heat_budget.is_polyamide(polymer)]
    runs: dict[int, list[DryingRun]] = defaultdict(list)
    for run in DryingRun.objects.filter(
        spool__emptied_at=None, spool__feedstock__polymer__in=polyamides, start__lt=now
    ).select_related("spool__feedstock__polymer", "spool__feedstock__filler"):
        runs[run.spool_id].append(run)
    for own in runs.values():
        spool = own[0].spool
        polymer, had = spool.feedstock.polymer, heat_budget.compute_heat(spool, own, now)
        usual_h, usual_c = least_drying_hours(spool), material_values(spool.feedstock).dry_set_c
        again = heat_budget.usual_life_share(spool)
        assert had.life_share is not None
        if had.life_share + again <= heat_budget.ALL:
            continue
        reminder = Reminder(
            kind=Kind.HEAT,
            condition=f"heat:spool:{spool.pk}",
            title=f"Little heat is left for drying {pretty(spool.code)} ({polymer})",
            why=f"{format_number(100 * had.life_share)} % of what a polyamide may have of hot air in its life is "
            f"used, in {format_number(had.hours)} h of drying. Dried once more as usual, at least {usual_h:g} h at "
            f"{usual_c:g} °C, it would be {format_number(100 * (had.life_share + again))} %.",
            remedy="Keep it dry and dry it cooler, or only what a job needs. Bend a piece: where it snaps, "
            "use it up for parts that bear no load.",
            spool=spool,
            amount=100 * had.life_share,
            amount_unit="% of its heat budget",
        )
        conditions.open(reminder, urgent=had.life_share >= heat_budget.ALL, last_event_at=own[-1].start)
    return conditions
