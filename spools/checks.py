"""Checks that every fact passes before it is stored: its numbers, its times, and one writer at a time."""

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from django.db import connection
from django.utils import timezone
from django.utils.translation import gettext as _

from spools.codes import pretty
from spools.limits import Limits
from spools.refusals import refusal
from spools.wording import format_time

from .models import Spool

CLOCK_TOLERANCE = timedelta(minutes=2)
EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
FACTS_OF_SPOOLS = 7_203_114  # any number that no other advisory lock of this database has


def require_within(field: str, value: float, low: float, high: float, unit: str) -> float:
    """Returns the number. Refused, on ``field``: one outside low to high (both included), or not finite.

    NaN passes every validator that compares, so the comparison is written as ``low <= number <= high``.
    """
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    if not low <= number <= high:
        raise refusal(
            "out_of_range",
            Limits(low, high, unit).refuse(value),
            field,
        )
    return number


def require_choice(field: str, value: str, choices: Sequence[str]) -> str:
    """Returns the value. Refused, on ``field``: one that is not among the choices."""
    if value not in choices:
        raise refusal(
            f"unknown_{field}", _("Give one of: {choices}.").format(choices=", ".join(choices)), field
        )
    return value


def require_past_time(at: datetime | None, spool: Spool | None = None, field: str = "at") -> datetime:
    """Returns the time of a fact in UTC; now for None.

    Refused, on ``field``: a time without a zone, in the future, before 2000 or before the spool was received.
    """
    now = timezone.now()
    if at is None:
        return now
    if timezone.is_naive(at):
        raise refusal("no_zone", _("Give the time with its zone, such as 2026-01-31T08:00Z."), field)
    if abs(at.year - now.year) > 200:
        # At the calendar's ends a time can neither be shown nor turned into UTC.
        raise refusal(
            "impossible_year",
            _("The year {year} is not possible. Look at the year.").format(year=at.year),
            field,
        )
    at = at.astimezone(UTC)
    if at > now + CLOCK_TOLERANCE:
        raise refusal(
            "in_the_future",
            _("{at} is in the future. Give a time up to now.").format(at=format_time(at)),
            field,
        )
    if at < EARLIEST:
        raise refusal(
            "too_long_ago", _("{at} is too long ago. Look at the year.").format(at=format_time(at)), field
        )
    if spool is not None and at < spool.received_at:
        raise refusal(
            "before_receipt",
            _("{at} is before spool {code} was received ({received_at}). Give a later time.").format(
                at=format_time(at), code=pretty(spool.code), received_at=format_time(spool.received_at)
            ),
            field,
        )
    return at


def lock_spool_facts() -> None:
    """Waits for the transaction that writes facts of spools, and holds the lock until this one ends.

    Spools that share a dry box are coupled: with row locks alone, a weighing and the storing of moisture
    would lock the same spools in different orders and deadlock. Call it before other rows are locked.
    SQLite has one writer at a time anyway.
    """
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [FACTS_OF_SPOOLS])


def lock_spool(spool: Spool) -> Spool:
    """Returns the spool as stored, with its row locked until the transaction ends."""
    lock_spool_facts()
    return Spool.objects.select_for_update(no_key=True).get(pk=spool.pk)


def require_in_use(spool: Spool, at: datetime | None = None) -> None:
    """Refused: a spool that has ended. at: the time of a past fact, which may still be added before the end."""
    if spool.ended_at and (at is None or at > spool.ended_at):
        raise refusal(
            "spool_ended",
            _(
                "Spool {code} is out of use since {ended_at}. Take another spool, or take this "
                "one back on its page."
            ).format(code=pretty(spool.code), ended_at=format_time(spool.ended_at)),
        )
