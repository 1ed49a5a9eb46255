"""When a message may go out: quiet hours and the day's digest, in the shop's zone. Pure functions.

Local times become instants as RFC 5545 (3.3.5) has it: a time that a change of the clocks skips is taken with
the offset before the change, one that comes twice is the first of both.
"""

from datetime import UTC, date, datetime, time, timedelta, tzinfo

DAY = timedelta(days=1)
# So much of each day is left; a change of the clocks can then never swallow all of it.
LEAST_OPEN = timedelta(hours=2)


def instant(day: date, at: time, zone: tzinfo) -> datetime:
    """That local time of that day, in UTC."""
    return datetime.combine(day, at, zone).astimezone(UTC)


def quiet_length(start: time, end: time) -> timedelta:
    """How long quiet hours are that may go over midnight; none from a time to itself."""
    noon = date(2001, 1, 1)
    return (datetime.combine(noon, end) - datetime.combine(noon, start)) % DAY


def after_quiet(now: datetime, start: time | None, end: time | None, zone: tzinfo) -> datetime:
    """``now``, or the end of the quiet hours that it lies in. Their end itself is quiet no more."""
    if start is None or end is None:
        return now
    today = now.astimezone(zone).date()
    at = now
    for day in (today - DAY, today, today + DAY):
        begins = instant(day, start, zone)
        ends = instant(day if start < end else day + DAY, end, zone)
        if begins <= at < ends:
            at = ends
    return at


def next_digest(now: datetime, at: time, zone: tzinfo) -> datetime:
    """The next time after ``now`` at which the day's digest is written."""
    today = now.astimezone(zone).date()
    return next(
        moment for day in (today, today + DAY, today + 2 * DAY) if (moment := instant(day, at, zone)) > now
    )
