"""Drying runs that need a person, and polyamides whose heat budget is nearly used."""

from collections.abc import Iterator
from datetime import datetime, timedelta

from django.db.models import prefetch_related_objects

from maintenance.models import Reminder
from maintenance.reminders.conditions.conditions import Condition
from spools.air.climate import Climate, room_airs
from spools.board import board
from spools.board.rows import PROBE_HOURS
from spools.catalogue.values import material_values
from spools.drying import heat_budget
from spools.drying.forecast import needed_until
from spools.models import DryingRun
from spools.moisture.history import least_drying_hours
from spools.physics_inputs import SMALL_JOB_G
from spools.statements import Statement
from spools.wording import round_as_shown, round_up_time

Kind = Reminder.Kind
# Urgent so long after the time: a spool that takes up water again or is heated for nothing, a stage that
# dries too little. Common practice, no source.
LATE_OUT, LATE_UP = timedelta(hours=3), timedelta(hours=1)


def check_drying_runs(now: datetime) -> Iterator[Condition]:
    """Drying runs whose planned hours, or those of their first stage, are over, or whose heat is used up."""
    runs = list(
        DryingRun.objects.filter(end=None).select_related(
            "spool__feedstock__polymer", "spool__feedstock__filler", "dryer__room"
        )
    )
    finished = [run for run in runs if run.planned_end <= now]
    airs = room_airs([run.dryer for run in finished], now) if finished else {}
    rows = board.rows_in_use().in_bulk([run.spool_id for run in finished]) if finished else {}
    for run in runs:
        if run.change_at is not None and run.change_at <= now < run.planned_end:
            urgent = run.change_at + LATE_UP <= now
            # Nobody turns a dryer up twice, however long the second stage takes.
            yield Condition(_turn_up(run, run.change_at), urgent=urgent, last_event_at=run.change_at)
        used_up_at = heat_budget.used_up_at(run, now)
        if used_up_at is not None and used_up_at <= now:
            yield Condition(_take_out_now(run, used_up_at), urgent=True, last_event_at=used_up_at)
            continue
        # A finished run that is not on the board yet is there at the next sweep.
        row = rows.get(run.spool_id)
        if row is None or row.run_id != run.pk:
            continue
        late = needed_until(run, row.run_dry_at, now)
        late = late and round_up_time(late)
        if used_up_at is not None and late is not None and used_up_at < late:
            late = None
        room = airs[run.dryer_id]
        # A dryer that was switched off has that air inside, too.
        outlook = row.outlook(room.temperature_c, room.rh_pct, False)
        reminder = _take_out(run, room, None if outlook is None else outlook.printable_h, late)
        yield Condition(reminder, urgent=late is None and run.planned_end + LATE_OUT <= now)


def _reminder(kind: Kind, run: DryingRun, reason: Statement, remedy: str, due_at: datetime) -> Reminder:
    """The reason goes without the spool and its dryer, which all of them name."""
    values = {"spool": run.spool.code, "dryer": str(run.dryer), **reason.values}
    return Reminder(
        kind=kind,
        condition=f"{kind}:run:{run.pk}",
        reason=Statement(reason.code, values),
        remedy=Statement(f"reminder_remedy.{remedy}"),
        spool=run.spool,
        place=run.dryer,
        due_at=due_at,
    )


def _turn_up(run: DryingRun, change_at: datetime) -> Reminder:
    values = {
        "first_set_point_c": run.first_set_point_c,
        "first_h": run.first_hours,
        "over_at": change_at.isoformat(),
        "set_point_c": run.set_point_c,
    }
    reason = Statement("reminder.first_stage_over", values)
    return _reminder(Kind.DRYER_UP, run, reason, "turn_up", change_at)


def _take_out_now(run: DryingRun, since: datetime) -> Reminder:
    """For a polyamide that has had all the heat that one run may give, whatever its planned hours are."""
    reason = Statement("reminder.run_heat_used_up", {"since": since.isoformat()})
    return _reminder(Kind.DRYING_DONE, run, reason, "finish_drying", since)


def _take_out(run: DryingRun, air: Climate, wet_again_h: float | None, late: datetime | None) -> Reminder:
    """late: when it is likely dry enough, where its planned hours did not make it so."""
    planned = {
        "planned_h": run.planned_hours,
        "stages": [list(stage) for stage in run.planned_stages],
        "over_at": run.planned_end.isoformat(),
    }
    printable_h = None if wet_again_h is None else round(wet_again_h, 1)
    room = {
        "temperature_c": round(air.temperature_c),
        "rh_pct": round(air.rh_pct),
        "mass_g": SMALL_JOB_G,
        "printable_h": printable_h,
        "forecast_h": PROBE_HOURS[-1],
    }
    there = "stays_printable" if printable_h is None else "wet_again" if printable_h else "wet_there"
    values = {
        "run": Statement("reminder.run_over", planned).as_data(),
        "room": Statement(f"reminder.{there}", room).as_data(),
    }
    if late is None:
        reason = Statement("reminder.drying_over", values)
        return _reminder(Kind.DRYING_DONE, run, reason, "finish_drying", run.planned_end)
    reason = Statement("reminder.drying_too_short", values | {"dry_at": late.isoformat()})
    return _reminder(Kind.DRYING_DONE, run, reason, "dry_longer", late)


def check_heat_budgets(now: datetime) -> Iterator[Condition]:
    """Spools whose next usual drying would exceed the heat budget of a polyamide."""
    heated = board.rows_in_use().filter(heat_share__gt=0).defer("outlooks_json")
    rows = heated.select_related("spool__feedstock__polymer", "spool__feedstock__filler")
    again = {row.spool_id: heat_budget.usual_life_share(row.spool) for row in rows}
    low = [row.spool for row in rows if (row.heat_share or 0) + again[row.spool_id] > heat_budget.ALL]
    prefetch_related_objects(low, "drying_runs")
    for spool in low:
        runs = [run for run in spool.drying_runs.all() if run.start < now]
        had = heat_budget.compute_heat(spool, runs, now)
        assert had.life_share is not None
        values = {
            "spool": spool.code,
            "polymer": str(spool.feedstock.polymer),
            "used_pct": round_as_shown(100 * had.life_share),
            "dried_h": round_as_shown(had.hours),
            "usual_h": least_drying_hours(spool),
            "usual_set_point_c": material_values(spool.feedstock).dry_set_c,
            "then_pct": round_as_shown(100 * (had.life_share + again[spool.pk])),
        }
        reminder = Reminder(
            kind=Kind.HEAT,
            condition=f"heat:spool:{spool.pk}",
            reason=Statement("reminder.heat_budget_low", values),
            remedy=Statement("reminder_remedy.spare_heat"),
            spool=spool,
            amount=100 * had.life_share,
            amount_unit="heat_budget_pct",
        )
        yield Condition(reminder, urgent=had.life_share >= heat_budget.ALL, last_event_at=runs[-1].start)
