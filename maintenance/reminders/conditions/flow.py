"""Flow checks that are due, and parts whose control chart signals."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from django.db.models import Max

from maintenance.flow.curve import LIMITS
from maintenance.flow.diagnosis import CLOG
from maintenance.flow.history import (
    CheckSeries,
    EvaluatedCheck,
    changed_since,
    load_current_series,
    load_last_checks,
    material_name,
)
from maintenance.models import JobUse, PartKind, Reminder, Toolhead
from maintenance.readiness.rules.feeding import FLOW_OLD_DAYS
from maintenance.reminders.conditions.conditions import Conditions
from spools.air.hourly import hour_of
from spools.statements import Statement

Kind = Reminder.Kind


def check_flow(now: datetime) -> Conditions:
    """Checks that are due, and charts that signal. A toolhead that never was checked needs none."""
    conditions = Conditions([Kind.FLOW_CHECK, Kind.FLOW_CHART])
    toolhead_ids = list(Toolhead.objects.filter(printer__retired_at=None).values_list("pk", flat=True))
    last: dict[int, EvaluatedCheck] = {}
    for check in sorted(load_last_checks(toolhead_ids, now).values(), key=_recorded_order):
        last[check.check.toolhead_id] = check
    last_prints = dict(
        JobUse.objects.filter(job__withdrawn_at=None, toolhead__in=last)
        .order_by()
        .values_list("toolhead")
        .annotate(last=Max("job__start"))
    )
    for toolhead_id, check in last.items():
        if (due := _check_due(check, last_prints.get(toolhead_id), now)) is not None:
            conditions.open(due)
    for current in load_current_series(last, now).values():
        for series in _signals(current):
            reminder = _signal(series)
            over = series.losses[-1] >= LIMITS[1]
            conditions.open(reminder, urgent=over or (reminder.due_at is not None and reminder.due_at <= now))
    return conditions


def _check_due(last: EvaluatedCheck, last_print: datetime | None, now: datetime) -> Reminder | None:
    """Other parts since the last check, or a check that is old on a toolhead that is in use."""
    toolhead = last.check.toolhead
    values = {"toolhead": str(toolhead), "checked_at": last.check.at.isoformat()}
    if changed := changed_since(last, now):
        roles = [fitting.role for fitting in changed]
        reason = Statement("reminder.flow_check_before_new_parts", {**values, "roles": roles})
    elif now - last.check.at > timedelta(days=FLOW_OLD_DAYS) and last_print and last_print > last.check.at:
        reason = Statement("reminder.flow_check_old", {**values, "limit_days": FLOW_OLD_DAYS})
    else:
        return None
    return Reminder(
        kind=Kind.FLOW_CHECK,
        condition=f"flow_check:toolhead:{toolhead.pk}",
        reason=reason,
        remedy=Statement("reminder_remedy.check_flow"),
        toolhead=toolhead,
    )


def _signals(current: Sequence[CheckSeries]) -> list[CheckSeries]:
    """The latest series of each material, of those with the parts that are on the toolhead, if it signals."""
    latest: dict[tuple[int, int | None], CheckSeries] = {}
    for series in current:
        latest.setdefault(series.latest.material, series)
    return [series for series in latest.values() if series.signal]


def _recorded_order(check: EvaluatedCheck) -> tuple[datetime, int]:
    return check.check.at, check.check.pk


def _signal(series: CheckSeries) -> Reminder:
    latest, toolhead = series.latest, series.latest.check.toolhead
    diagnosis = series.diagnosis(latest)
    rises = series.signal > 0
    # A rising loss is the gears, unless it is a clog; a falling one is the bore.
    role = PartKind.Role.GEARS if rises and diagnosis.cause != CLOG else PartKind.Role.NOZZLE
    fitting = latest.fitted.get(role)
    since, limit_at = series.signals_since, series.reaches_limit_at
    assert since is not None
    values = {
        "part": str(fitting.part.kind) if fitting else role.label,
        "toolhead": str(toolhead),
        "material": material_name(latest.check.spool.feedstock),
        "flow_mm3_s": series.flow_mm3_s,
        "first_loss_pct": 100 * series.losses[0],
        "last_loss_pct": 100 * series.losses[-1],
        "since": since.isoformat(),
        "limit_pct": 100 * LIMITS[1],
        "limit_at": limit_at and limit_at.isoformat(),
    }
    return Reminder(
        kind=Kind.FLOW_CHART,
        condition=f"flow_chart:check:{series.baseline.check.pk}",
        reason=Statement("reminder.flow_loss_rises" if rises else "reminder.flow_loss_falls", values),
        remedy=diagnosis.remedy or Statement("reminder_remedy.clean_and_check_flow"),
        part=fitting.part if fitting else None,
        toolhead=toolhead,
        due_at=limit_at and hour_of(limit_at),
        amount=100 * series.losses[-1],
        amount_unit="flow_loss_pct",
        amount_falls=not rises,
    )
