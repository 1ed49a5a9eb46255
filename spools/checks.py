"""What every fact must satisfy before it is kept: possible numbers, possible times, one writer at a time."""

import math
from datetime import UTC, datetime, timedelta

from django.core.exceptions import ValidationError
from django.db import connection
from django.utils import timezone

from spools.codes import pretty
from spools.wording import format_time

from .models import Spool

CLOCK_TOLERANCE = timedelta(minutes=2)
EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
FACTS_OF_SPOOLS = 7_203_114  # any number that no other advisory lock of this database has


def within(field: str, value: float, low: float, high: float, unit: str) -> float:
    """The number, when it is finite and between low and high (both included).

    Raises ValidationError on ``field`` otherwise. A "not a number" passes every comparison of a
    validator unnoticed, therefore the test is for being inside.
    """
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    if not low <= number <= high:
        raise ValidationError({field: f"Give a number between {low:.7g} and {high:.7g} {unit}; got {value}."})
    return number


def moment(at: datetime | None, spool: Spool | None = None, field: str = "at") -> datetime:
    """The time of a fact in UTC; None is now. Refused: no zone, the future, before the spool came."""
    now = timezone.now()
    if at is None:
        return now
    if timezone.is_naive(at):
        raise ValidationError({field: "Give the time with its zone, such as 2026-01-31T08:00Z."})
    if abs(at.year - now.year) > 200:
        # At the calendar's ends a time can neither be shown nor turned into UTC.
        raise ValidationError({field: f"The year {at.year} is not possible. Look at the year."})
    at = at.astimezone(UTC)
    if at > now + CLOCK_TOLERANCE:
        raise ValidationError({field: f"{format_time(at)} is in the future. Give a time up to now."})
    if at < EARLIEST:
        raise ValidationError({field: f"{format_time(at)} is too long ago. Look at the year."})
    if spool is not None and at < spool.received_at:
        raise ValidationError(
            {
                field: f"{format_time(at)} is before spool {pretty(spool.code)} was received "
                f"({format_time(spool.received_at)}). Give a later time."
            }
        )
    return at


def one_writer() -> None:
    """Wait for the transaction that is writing facts of spools; SQLite has one writer at a time anyway.

    Spools that share a dry box hang together: row locks alone would be taken in one order by who weighs one
    of them and in another by who stores the moisture of all. Call it before other rows are locked.
    """
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [FACTS_OF_SPOOLS])


def locked(spool: Spool) -> Spool:
    """The spool as stored, its row locked until the transaction ends: one writer at a time."""
    one_writer()
    return Spool.objects.select_for_update().get(pk=spool.pk)


def in_use(spool: Spool) -> None:
    """Refuses a spool that was marked empty."""
    if spool.emptied_at:
        raise ValidationError(
            f"Spool {pretty(spool.code)} was marked empty on {format_time(spool.emptied_at)}. Take another spool."
        )
