"""What is to be sent, written with the event that it tells of, and put in the queue until it has been sent.

A message is a row before anything is sent, so nothing is forgotten; each try is work of its own (tries.py).
A channel that failed rests: until it works again only one message at a time is tried by it.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q
from django.utils import timezone

from background.models import WorkItem
from background.queue import enqueue
from maintenance.models import Channel, Message, NotificationSettings, Reminder, ReminderEvent, Subscription
from maintenance.reminders.delivery.times import after_quiet, next_digest
from maintenance.reminders.delivery.wording import NOTIFIED, body_of, digest_body, test_body
from maintenance.reminders.links import with_subjects

Kind, Purpose, State = Channel.Kind, Message.Purpose, Message.State
TO_PEOPLE = [Kind.EMAIL, Kind.PUSH]
SENT_BY = [*TO_PEOPLE, Kind.WEBHOOK]
# More than so many at once, or since quiet hours began, are told as one.
AT_ONCE_MOST = 5
LOT = 500  # rows written at a time
# So long what was sent stays known; the history of the reminders themselves stays for good.
KEEP = timedelta(days=90)
# No message waits longer for its turn: a digest that is told a day later, when the clocks change.
LONGEST_WAIT = timedelta(days=2, hours=2)
DELIVER, DISPATCH = "maintenance.deliver", "maintenance.dispatch"
ENDED = "The channel was ended."
SUPERSEDED = "No longer due, or superseded by a later message."


def post(events: Sequence[ReminderEvent]) -> None:
    """Write a message for each channel that wants one of these events, in the caller's transaction.

    People are told what was raised, became pressing or came back, each reminder once; a webhook gets every
    event. The number of queries does not depend on the number of events, but for the rows written.
    """
    wanted = _subscriptions({event.reminder.kind for event in events})
    if not wanted:
        return
    reminders = with_subjects(Reminder.objects.all()).in_bulk({event.reminder_id for event in events})
    bodies = {event.pk: body_of(event, reminders[event.reminder_id]) for event in events}
    now = timezone.now()
    messages: list[Message] = []
    for channel, timings in wanted.items():
        mine = [event for event in events if event.reminder.kind in timings]
        if channel.kind == Kind.WEBHOOK:
            messages += [_message(channel, Purpose.EVENT, now, bodies[event.pk], event) for event in mine]
        else:
            messages += _to_a_person(channel, timings, _told_once(mine), bodies, now)
    _store(messages)


def _subscriptions(kinds: set[str]) -> dict[Channel, dict[str, str]]:
    """The open channels that want one of these kinds, each with its timings by kind."""
    found: dict[Channel, dict[str, str]] = defaultdict(dict)
    rows = Subscription.objects.filter(
        reminder_kind__in=kinds,
        channel__kind__in=SENT_BY,
        channel__ended_at=None,
        channel__user__is_active=True,
    )
    for row in rows.select_related("channel__user__notification_settings"):
        found[row.channel][row.reminder_kind] = row.timing
    return found


def _told_once(events: Iterable[ReminderEvent]) -> list[ReminderEvent]:
    """The last event of each reminder that people are told of."""
    return list({event.reminder_id: event for event in events if event.type in NOTIFIED}.values())


def _to_a_person(
    channel: Channel,
    timings: dict[str, str],
    events: list[ReminderEvent],
    bodies: dict[int, dict[str, Any]],
    now: datetime,
) -> list[Message]:
    wishes = settings_of(channel.user)
    at_once: dict[datetime, list[Message]] = defaultdict(list)
    written: list[Message] = []
    for event in events:
        body = bodies[event.pk]
        if timings[event.reminder.kind] == Subscription.Timing.DIGEST:
            due = next_digest(now, wishes.digest_at, timezone.get_default_timezone())
            written.append(_message(channel, Purpose.ENTRY, due, body, event))
        else:
            due = not_quiet(wishes, now, pressing=body["urgent"])
            at_once[due].append(_message(channel, Purpose.EVENT, due, body, event))
    for due, messages in at_once.items():
        few = due > now or len(messages) <= AT_ONCE_MOST  # how many the night brings shows at its end
        written += messages if few else _as_one(channel, due, messages)
    return written


def _as_one(channel: Channel, due: datetime, entries: list[Message]) -> list[Message]:
    """The message that tells them all, and the entries, told by it."""
    whole = _message(channel, Purpose.DIGEST, due, digest_body([entry.body for entry in entries]))
    for entry in entries:
        entry.state, entry.digest = State.BUNDLED, whole
    return [whole, *entries]


def _message(
    channel: Channel, purpose: str, due: datetime, body: dict[str, Any], event: ReminderEvent | None = None
) -> Message:
    return Message(
        channel=channel, purpose=purpose, event=event, body=body, not_before=due, next_attempt_at=due
    )


def _store(messages: list[Message]) -> None:
    Message.objects.bulk_create(messages, batch_size=LOT)
    if messages:
        enqueue(DISPATCH)


# Times


def settings_of(user: Any) -> NotificationSettings:
    """When a person wants to hear of things; the defaults when nothing was said."""
    try:
        return user.notification_settings
    except NotificationSettings.DoesNotExist:
        return NotificationSettings(user=user)


def not_quiet(wishes: NotificationSettings, now: datetime, pressing: bool = False) -> datetime:
    """When a message may go out at the earliest."""
    if pressing and wishes.urgent_in_quiet:
        return now
    return after_quiet(now, wishes.quiet_from, wishes.quiet_to, timezone.get_default_timezone())


# The digest of the day


@transaction.atomic
def write_digests(now: datetime) -> int:
    """Write the digest of each channel that has entries due, one a day at most; returns how many.

    What is not due any more lapses; nothing left, nothing written. After a week without power it is one.
    """
    its_time = Q(not_before__lte=now) | Q(not_before__gt=now + LONGEST_WAIT)
    due = Message.objects.filter(its_time, purpose=Purpose.ENTRY, state=State.WAITING)
    channels = Channel.objects.filter(Exists(due.filter(channel=OuterRef("pk"))), ended_at=None)
    count = 0
    # Locked, so that of two that write at once the second finds what the first has bundled.
    channels = channels.select_related("user__notification_settings")
    for channel in channels.select_for_update(no_key=True, of=("self",)):
        entries = list(due.filter(channel=channel).select_related("event__reminder"))
        count += _write_digest(channel, entries, now)
    return count


def _write_digest(channel: Channel, entries: list[Message], now: datetime) -> bool:
    wishes, zone = settings_of(channel.user), timezone.get_default_timezone()
    day = now.astimezone(zone).date()
    if channel.messages.filter(digest_day=day).exists():
        # The time of the digest was moved after it had been written: these are told tomorrow.
        later = next_digest(now, wishes.digest_at, zone)
        while later.astimezone(zone).date() == day:
            later = next_digest(later, wishes.digest_at, zone)
        Message.objects.filter(pk__in=[entry.pk for entry in entries]).update(
            not_before=later, next_attempt_at=later
        )
        return False
    open_ = [entry for entry in entries if still_due(entry, now)]
    kept = {entry.pk for entry in open_}
    lapse(entry for entry in entries if entry.pk not in kept)
    if not open_:
        return False
    # One reminder may have been raised and become pressing since: its last word counts.
    last = {entry.body["reminder"]: entry.body for entry in sorted(open_, key=lambda entry: entry.written_at)}
    digest = _message(channel, Purpose.DIGEST, not_quiet(wishes, now), digest_body(list(last.values())))
    digest.digest_day = day
    _store([digest])
    Message.objects.filter(pk__in=[entry.pk for entry in open_]).update(state=State.BUNDLED, digest=digest)
    return True


def _end_quiet(channel: Channel, now: datetime) -> None:
    """Of what waited for the end of quiet hours, more than a few are told as one, by their last words."""
    waiting = channel.messages.filter(purpose=Purpose.EVENT, state=State.WAITING, attempts=0)
    waited = waiting.filter(not_before__gt=F("written_at")).select_related("event__reminder")
    held = [message for message in waited.order_by("written_at") if possible(message.not_before, now) <= now]
    last = {message.body["reminder"]: message for message in held if still_due(message, now)}
    if len(last) <= AT_ONCE_MOST:
        return
    told = {message.pk for message in last.values()}
    lapse(message for message in held if message.pk not in told)
    whole = _message(channel, Purpose.DIGEST, now, digest_body([message.body for message in last.values()]))
    whole.save(force_insert=True)
    Message.objects.filter(pk__in=told).update(state=State.BUNDLED, digest=whole)


def still_due(message: Message, now: datetime) -> bool:
    """Whether what it tells of is neither ended nor put off."""
    if message.event is None:
        # Told as one. The digest of the day is written when it is due.
        told = message.entries.select_related("event__reminder")
        return message.digest_day is not None or any(still_due(entry, now) for entry in told)
    reminder = message.event.reminder
    put_off = reminder.snoozed_until is not None and reminder.snoozed_until > now
    return reminder.ended_at is None and not put_off


def overtaken(message: Message, now: datetime) -> bool:
    """Whether a later word about the same reminder was sent by the same way, or may go out now, too."""
    if message.event is None:
        return False
    later = Message.objects.filter(
        channel=message.channel_id,
        event__reminder=message.event.reminder_id,
        event__gt=message.event_id,
        purpose=Purpose.EVENT,
    )
    return later.filter(Q(state=State.SENT) | Q(state=State.WAITING, not_before__lte=now)).exists()


def lapse(messages: Iterable[Message], why: str = SUPERSEDED) -> None:
    """They are not sent any more."""
    Message.objects.filter(pk__in=[message.pk for message in messages]).update(
        state=State.EXPIRED, ended_at=timezone.now(), error=why
    )


def prune(now: datetime) -> int:
    """Delete messages that were written long ago, but for those that wait; returns how many."""
    old = Message.objects.filter(written_at__lt=now - KEEP).exclude(state=State.WAITING)
    return old.delete()[0]


# Into the queue


@transaction.atomic
def dispatch(now: datetime) -> None:
    """See to it that each message whose time has come has work in the queue; by a channel that failed one.

    Runs after messages were written, and each minute for what was lost on the way: work that took its worker
    down each time is given up by the queue, but not by the outbox.
    """
    waiting = Message.objects.filter(state=State.WAITING)
    # Written by who did not see yet that the way was ended.
    lapse(waiting.filter(channel__ended_at__isnull=False), ENDED)
    waiting = waiting.exclude(purpose=Purpose.ENTRY)
    channels = Channel.objects.filter(Exists(waiting.filter(channel=OuterRef("pk"))), ended_at=None)
    left = LOT
    locked = list(channels.order_by("pk").select_for_update(no_key=True))
    queued = _queued()
    for channel in locked:
        _end_quiet(channel, now)
        mine = waiting.filter(channel=channel).order_by("attempts", "not_before", "written_at")
        few = mine.only("attempts", "not_before", "next_attempt_at")
        lost = _without_work(channel, list(few), queued, now)
        for message in lost[:left]:
            queue_try(message, possible(max(message.next_attempt_at, now), now))
        left -= min(left, len(lost))
    if not left:
        enqueue(DISPATCH)


def _without_work(
    channel: Channel, waiting: list[Message], queued: dict[UUID, datetime], now: datetime
) -> list[Message]:
    """Those that have no work; of a channel that failed and has rested only one, if none is being tried."""
    its_time = [message for message in waiting if possible(message.not_before, now) <= now]
    lost = [message for message in its_time if message.pk not in queued]
    if not channel.failures:
        return lost
    trying = any(message.pk in queued and queued[message.pk] <= now for message in waiting)
    if trying or rests(channel, now):
        return []
    return lost[:1]


def _queued() -> dict[UUID, datetime]:
    """The messages that have work in the queue, by id, with when it is due."""
    live = WorkItem.objects.filter(
        name=DELIVER, state__in=[WorkItem.State.QUEUED, WorkItem.State.RUNNING]
    ).values_list("args", "due")
    return {UUID(args["message"]): due for args, due in live}


def rests(channel: Channel, now: datetime) -> bool:
    """Whether nothing is to be tried by it yet, having failed."""
    return channel.backoff_until is not None and possible(channel.backoff_until, now) > now


def possible(at: datetime, now: datetime) -> datetime:
    """``at``, or now when no wait is as long as that: the clock was wrong when it was worked out."""
    return at if at <= now + LONGEST_WAIT else now


def queue_try(message: Message, due: datetime) -> None:
    """One try, which is void if the message has been tried otherwise before its turn."""
    args = {"message": str(message.pk), "number": message.attempts}
    # The time makes the key a fresh one where earlier work on the same try was lost.
    enqueue(DELIVER, args, key=f"deliver:{message.pk}:{message.attempts}:{due.isoformat()}", due=due)


# People


@transaction.atomic
def send_test(channel: Channel) -> Message:
    """A message of no reminder, now, by the same way as all others; quiet hours and rests do not count."""
    if channel.ended_at is not None or channel.kind not in SENT_BY:
        raise ValidationError("This channel has ended or cannot send. Add it again.")
    now = timezone.now()
    message = _message(channel, Purpose.TEST, now, test_body())
    message.save(force_insert=True)
    queue_try(message, now)
    return message


@transaction.atomic
def retry(message: Message) -> None:
    """Take up a message that was given up, for another day."""
    # The channel first, as everywhere.
    channel = Channel.objects.select_for_update(no_key=True).get(pk=message.channel_id)
    message = Message.objects.select_for_update().get(pk=message.pk)
    if message.state != State.FAILED:
        raise ValidationError("Only a failed message can be sent again; look at the list.")
    if channel.ended_at is not None:
        raise ValidationError(
            "This channel has ended. Add it again; open reminders are on the Reminders page."
        )
    now = timezone.now()
    message.state, message.ended_at = State.WAITING, None
    message.not_before = message.next_attempt_at = now
    message.save(update_fields=["state", "ended_at", "not_before", "next_attempt_at"])
    channel.backoff_until = None
    channel.save(update_fields=["backoff_until"])
    queue_try(message, now)
