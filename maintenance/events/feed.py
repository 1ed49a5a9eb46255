"""The log of events as a feed: read with a cursor, in the order in which the facts were committed, without gaps.

The database gives ids before the commit, so a reader of ids may pass a row that is committed later. The numbers of the
log are given after the commit, one reader or worker at a time: what has none yet gets numbers above all that anybody can
have read. Of facts that nobody could read in between, the one that was written first comes first.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import connection, transaction
from django.db.models import Max, Min

from maintenance.models import ShopEvent

# Retention of the log. A reader that stays away longer starts anew.
KEEP = timedelta(days=400)
NUMBERING = 7_203_117  # any number that no other advisory lock of this database has
NUMBER_SQL = """
    UPDATE maintenance_shopevent SET sequence = %s + fresh.number
    FROM (SELECT id, ROW_NUMBER() OVER (ORDER BY id) AS number FROM maintenance_shopevent WHERE sequence IS NULL) AS fresh
    WHERE maintenance_shopevent.id = fresh.id
"""
LATEST = "latest"


class CursorGone(Exception):
    """The log cannot go on from a cursor. reason: "too_old", deleted meanwhile, or "unknown", of another log."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


@dataclass(frozen=True)
class Part:
    """A part of the log. following: the cursor after it. more: whether there are events after it already."""

    events: Sequence[ShopEvent]
    following: int
    more: bool


def read_events(after: int | str | None, kinds: Collection[str], limit: int) -> Part:
    """The events of these kinds after a cursor, the oldest first. after: None for the beginning, or LATEST.

    Raises CursorGone.
    """
    number_events()
    ends = ShopEvent.objects.aggregate(first=Min("sequence"), last=Max("sequence"))
    first, last = ends["first"] or 1, ends["last"] or 0
    start = first - 1 if after is None else last if isinstance(after, str) else after
    if not first - 1 <= start <= last:
        raise CursorGone("too_old" if start < first else "unknown")
    rows = ShopEvent.objects.filter(sequence__gt=start, sequence__lte=last, kind__in=kinds)
    events = list(rows.order_by("sequence")[: limit + 1])
    more = len(events) > limit
    events = events[:limit]
    return Part(events, events[-1].sequence or last if more else last, more)


def number_events() -> None:
    """Give the committed events that have none their numbers in the log."""
    if not ShopEvent.objects.filter(sequence=None).exists():
        return
    with transaction.atomic(), connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            # SQLite has one writer at a time anyway.
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [NUMBERING])
        # After the lock: it sees the numbers of whoever had that before.
        last = ShopEvent.objects.aggregate(last=Max("sequence"))["last"] or 0
        cursor.execute(NUMBER_SQL, [last])


def prune_events(now: datetime) -> int:
    """Delete what is older than KEEP, from the beginning of the log; returns how many. The last event stays, for its number."""
    kept = ShopEvent.objects.filter(recorded_at__gte=now - KEEP).aggregate(first=Min("sequence"))["first"]
    first = kept or ShopEvent.objects.aggregate(last=Max("sequence"))["last"] or 0
    return ShopEvent.objects.filter(sequence__lt=first).delete()[0]
