"""Services of machines in use whose interval is over."""

from datetime import datetime, timedelta

from maintenance.models import Reminder, ServiceKind, Toolhead
from maintenance.reminders.conditions.conditions import Conditions
from maintenance.service.intervals import ServiceStatus, load_service_statuses
from spools.air.hourly import hour_of
from spools.statements import Statement
from spools.wording import round_as_shown

Kind = Reminder.Kind
# Urgent when it is over by this share of the interval. Common practice, no source.
OVERDUE_SHARE = 1.25


def check_services(now: datetime) -> Conditions:
    """Services of machines in use whose interval is over."""
    conditions = Conditions([Kind.CLEAN, Kind.SERVICE])
    toolheads = Toolhead.objects.filter(printer__retired_at=None).select_related("printer")
    for status in load_service_statuses(toolheads, now):
        if status.since.overdue:
            conditions.open(_service(status, now), urgent=status.since.share >= OVERDUE_SHARE)
    return conditions


def _service(status: ServiceStatus, now: datetime) -> Reminder:
    kind, since = status.kind, status.since
    over_days = (since.used - since.interval) / since.per_day if since.per_day > 0 else None
    values = {
        "service": kind.name,
        "site": since.where,
        "used": round_as_shown(since.used),
        "interval": since.interval,
        "unit": kind.unit,
        "last_at": status.last and status.last.isoformat(),
        "counted_from": status.count_start and status.count_start.isoformat(),
        "source": kind.source,
    }
    return Reminder(
        kind=Kind.CLEAN if kind.work in ServiceKind.CLEANING else Kind.SERVICE,
        condition=f"service:{kind.pk}:printer:{status.printer.pk}"
        + (f":toolhead:{status.toolhead.pk}" if status.toolhead else ""),
        reason=Statement("reminder.service_due", values),
        remedy=Statement("reminder_remedy.do_service"),
        printer=status.printer,
        toolhead=status.toolhead,
        # At the present rate of use, when the interval was over.
        due_at=None if over_days is None else hour_of(now - timedelta(days=over_days)),
        amount=since.used,
        amount_unit=kind.unit,
    )
