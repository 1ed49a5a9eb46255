"""Services of machines in use whose interval is over."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from maintenance.board.upkeep import ServiceUpkeep, Upkeep
from maintenance.models import Reminder, ServiceKind
from maintenance.reminders.conditions.conditions import Condition
from maintenance.service.intervals import count_start
from maintenance.wear.intervals import ServiceProgress
from spools.air.hourly import hour_of
from spools.statements import Statement
from spools.wording import round_as_shown

Kind = Reminder.Kind
# Urgent when it is over by this share of the interval. Common practice, no source.
OVERDUE_SHARE = 1.25
DAY = timedelta(days=1)


def check_services(upkeep: Mapping[int, Upkeep], now: datetime) -> Iterator[Condition]:
    for toolhead in upkeep.values():
        for service in toolhead.services:
            since = _progress(service.since, now - toolhead.at)
            if since.overdue:
                yield Condition(_service(service, since, now), urgent=since.share >= OVERDUE_SHARE)


def _progress(since: ServiceProgress, later: timedelta) -> ServiceProgress:
    """The progress some time after it was computed: days pass by themselves, once they count."""
    if since.unit != ServiceKind.Unit.DAYS or not since.used:
        return since
    return replace(since, used=since.used + later / DAY)


def _service(service: ServiceUpkeep, since: ServiceProgress, now: datetime) -> Reminder:
    over_days = (since.used - since.interval) / since.per_day if since.per_day > 0 else None
    values = {
        "service": since.service,
        "site": since.where,
        "used": round_as_shown(since.used),
        "interval": since.interval,
        "unit": since.unit,
        "counted_since": count_start(service.last, service.count_start).as_data(),
        "source": service.source,
    }
    return Reminder(
        kind=Kind.CLEAN if service.cleans else Kind.SERVICE,
        condition=f"service:{service.kind}:printer:{service.printer}"
        + (f":toolhead:{service.toolhead}" if service.toolhead else ""),
        reason=Statement("reminder.service_due", values),
        remedy=Statement("reminder_remedy.do_service"),
        printer_id=service.printer,
        toolhead_id=service.toolhead,
        # At the present rate of use, when the interval was over.
        due_at=None if over_days is None else hour_of(now - timedelta(days=over_days)),
        amount=since.used,
        amount_unit=since.unit,
    )
