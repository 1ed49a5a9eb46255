"""When the messages of a channel are due, and the one row of background work that delivers them.

The row waits for the earliest time at which a message of its channel may be sent. Whoever writes an earlier
message brings it forward, and each run adds the next row.
"""

from datetime import datetime, timedelta

from django.db.models import Exists, Min, OuterRef, QuerySet
from django.db.models.functions import Greatest

from background.queue import bring_forward, enqueue, enqueue_next
from maintenance.models import Channel, Message

Purpose, State = Message.Purpose, Message.State
DELIVER = "maintenance.deliver"
# No message waits longer: a digest of the next day, when the clocks change. Later times are errors of the clock.
LONGEST_WAIT = timedelta(days=2, hours=2)


def mend_times(now: datetime) -> None:
    """Have what waits longer than that sent now: a clock that ran ahead has written it."""
    horizon = now + LONGEST_WAIT
    waiting = Message.objects.filter(state=State.WAITING)
    waiting.filter(not_before__gt=horizon).update(not_before=now)
    waiting.filter(next_attempt_at__gt=horizon).update(next_attempt_at=now)
    Channel.objects.filter(backoff_until__gt=horizon).update(backoff_until=None)


def sendable(channel: Channel) -> QuerySet[Message]:
    """Its messages that wait to be sent, due or not; entries of a digest are never sent alone."""
    return channel.messages.filter(state=State.WAITING).exclude(purpose=Purpose.ENTRY)


def next_message(channel: Channel, now: datetime) -> Message | None:
    """The message to send now: tests first, which no backoff stops, then the one with the fewest attempts.

    A message that its receiver cannot take would otherwise hold up all others.
    """
    due = sendable(channel).filter(not_before__lte=now, next_attempt_at__lte=now)
    due = due.select_related("channel__user", "event__reminder")
    due = due.order_by("attempts", "not_before", "written_at", "sequence")
    if (test := due.filter(purpose=Purpose.TEST).first()) is not None:
        return test
    backs_off = channel.backoff_until is not None and channel.backoff_until > now
    return None if backs_off else due.first()


def next_due(channel: Channel) -> datetime | None:
    """When its next message may be sent; None if none waits."""
    at = Min(Greatest("not_before", "next_attempt_at"))
    test_at = sendable(channel).filter(purpose=Purpose.TEST).aggregate(at=at)["at"]
    other_at = sendable(channel).exclude(purpose=Purpose.TEST).aggregate(at=at)["at"]
    if other_at is not None and channel.backoff_until is not None:
        other_at = max(other_at, channel.backoff_until)
    return min((at for at in (test_at, other_at) if at is not None), default=None)


def queue_delivery(channel: Channel) -> None:
    """Have its messages delivered when the first is due, in the caller's transaction."""
    if (due := next_due(channel)) is not None:
        enqueue(DELIVER, {"channel": channel.pk}, due=due, singleton_key=_key(channel))
        bring_forward(_key(channel), due)


def queue_next_delivery(channel: Channel) -> None:
    """Add the row that follows the running one, if a message waits."""
    if (due := next_due(channel)) is not None:
        enqueue_next(DELIVER, {"channel": channel.pk}, due=due, singleton_key=_key(channel))


def queue_all_deliveries() -> None:
    """Queue each channel that has messages: makes good for rows that were lost, and for mended times.

    A row that ended its worker each time fails for good, but its messages still wait.
    """
    waiting = Message.objects.filter(state=State.WAITING, channel=OuterRef("pk"))
    for channel in Channel.objects.filter(Exists(waiting.exclude(purpose=Purpose.ENTRY))).order_by("pk"):
        queue_delivery(channel)


def _key(channel: Channel) -> str:
    return f"deliver:{channel.pk}"
