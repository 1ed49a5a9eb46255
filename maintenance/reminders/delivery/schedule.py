"""When the messages of a channel are due, and the one row of background work that delivers them.

The row waits for the earliest time at which a message of its channel may be sent. Whoever writes an earlier
message brings it forward, and each run adds the next row.
"""

from datetime import datetime, timedelta

from django.db.models import Exists, Min, OuterRef, Q, QuerySet
from django.db.models.functions import Greatest
from django.utils import timezone

from background.queue import bring_forward, enqueue, enqueue_next
from maintenance.models import Channel, Message

Purpose, State = Message.Purpose, Message.State
DELIVER = "maintenance.deliver"
# No message waits longer: a digest of the next day, when the clocks change. Later times are errors of the clock.
LONGEST_WAIT = timedelta(days=2, hours=2)


def clamp_to_horizon(at: datetime, now: datetime) -> datetime:
    """``at``, or now where no wait is as long as that: a clock that ran ahead has written it."""
    return at if at <= now + LONGEST_WAIT else now


def is_backing_off(channel: Channel, now: datetime) -> bool:
    """Whether nothing is sent to it yet after a failure."""
    return channel.backoff_until is not None and clamp_to_horizon(channel.backoff_until, now) > now


def sendable(channel: Channel) -> QuerySet[Message]:
    """Its messages that wait to be sent, due or not; entries of a digest are never sent alone."""
    return channel.messages.filter(state=State.WAITING).exclude(purpose=Purpose.ENTRY)


def next_message(channel: Channel, now: datetime) -> Message | None:
    """The message to send now: tests first, which no backoff stops, then the one with the fewest attempts.

    A message that its receiver cannot take would otherwise hold up all others.
    """
    horizon = now + LONGEST_WAIT
    due = sendable(channel).filter(
        Q(not_before__lte=now) | Q(not_before__gt=horizon),
        Q(next_attempt_at__lte=now) | Q(next_attempt_at__gt=horizon),
    )
    due = due.select_related("channel__user", "event__reminder").order_by(
        "attempts", "not_before", "written_at"
    )
    if (test := due.filter(purpose=Purpose.TEST).first()) is not None:
        return test
    return None if is_backing_off(channel, now) else due.first()


def next_due(channel: Channel, now: datetime) -> datetime | None:
    """When its next message may be sent; None if none waits."""
    at = Min(Greatest("not_before", "next_attempt_at"))
    test = sendable(channel).filter(purpose=Purpose.TEST).aggregate(at=at)["at"]
    due_at = sendable(channel).exclude(purpose=Purpose.TEST).aggregate(at=at)["at"]
    if due_at is not None:
        due_at = clamp_to_horizon(due_at, now)
        if channel.backoff_until is not None and is_backing_off(channel, now):
            due_at = max(due_at, channel.backoff_until)
    times = [due_at, test and clamp_to_horizon(test, now)]
    return min((at for at in times if at is not None), default=None)


def queue_delivery(channel: Channel) -> None:
    """Have its messages delivered when the first is due, in the caller's transaction."""
    if (due := next_due(channel, timezone.now())) is not None:
        enqueue(DELIVER, {"channel": channel.pk}, due=due, singleton_key=_key(channel))
        bring_forward(_key(channel), due)


def queue_next_delivery(channel: Channel) -> None:
    """Add the row that follows the running one, if a message waits."""
    if (due := next_due(channel, timezone.now())) is not None:
        enqueue_next(DELIVER, {"channel": channel.pk}, due=due, singleton_key=_key(channel))


def queue_all_deliveries() -> None:
    """Queue each channel that has messages: makes good for rows that were lost, and for a wrong clock.

    A row that ended its worker each time fails for good, but its messages still wait.
    """
    waiting = Message.objects.filter(state=State.WAITING, channel=OuterRef("pk"))
    for channel in Channel.objects.filter(Exists(waiting.exclude(purpose=Purpose.ENTRY))).order_by("pk"):
        queue_delivery(channel)


def _key(channel: Channel) -> str:
    return f"deliver:{channel.pk}"
