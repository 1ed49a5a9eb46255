"""Transactional outbox: messages are written with their event and queued until delivered."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q
from django.utils import timezone

from maintenance.models import Channel, Message, NotificationSettings, Reminder, ReminderEvent, Subscription
from maintenance.reminders.delivery.schedule import LONGEST_WAIT, queue_delivery
from maintenance.reminders.delivery.times import after_quiet, next_digest
from maintenance.reminders.delivery.wording import NOTIFIED, body_of, digest_body, test_body
from maintenance.reminders.links import with_subjects
from spools.refusals import refusal
from spools.statements import Statement

Kind, Purpose, State = Channel.Kind, Message.Purpose, Message.State
TO_PEOPLE = [Kind.EMAIL, Kind.PUSH]
SENDABLE = [*TO_PEOPLE, Kind.WEBHOOK]
# More than so many at once, or held back by quiet hours, are bundled into one message.
MOST_SINGLE = 5
BATCH_SIZE = 500  # rows written at a time
# Retention of messages; the history of the reminders themselves is not deleted.
KEEP = timedelta(days=90)
ENDED = Statement("delivery.channel_ended")
SUPERSEDED = Statement("delivery.superseded")


def post(events: Sequence[ReminderEvent]) -> None:
    """Write a message for each channel that carries one of these events, in the caller's transaction.

    People are notified when a reminder opens, becomes urgent or returns, once per reminder; a webhook gets
    every event. The number of queries does not grow with the number of events, but for the rows written.
    """
    subscribed = _subscriptions({event.reminder.kind for event in events})
    if not subscribed:
        return
    reminders = with_subjects(Reminder.objects.all()).in_bulk({event.reminder_id for event in events})
    bodies = {event.pk: body_of(event, reminders[event.reminder_id]) for event in events}
    now = timezone.now()
    messages: list[Message] = []
    for channel, timings in subscribed.items():
        carried = [event for event in events if event.reminder.kind in timings]
        if channel.kind == Kind.WEBHOOK:
            messages += [_message(channel, Purpose.EVENT, now, bodies[event.pk], event) for event in carried]
        else:
            messages += _to_a_person(channel, timings, _last_notified(carried), bodies, now)
    _store(messages)


def _subscriptions(kinds: set[str]) -> dict[Channel, dict[str, str]]:
    """The open channels that carry one of these kinds, each with its timings by kind."""
    subscribed: dict[Channel, dict[str, str]] = defaultdict(dict)
    rows = Subscription.objects.filter(
        reminder_kind__in=kinds,
        channel__kind__in=SENDABLE,
        channel__ended_at=None,
        channel__user__is_active=True,
    )
    for row in rows.select_related("channel__user__notification_settings"):
        subscribed[row.channel][row.reminder_kind] = row.timing
    return subscribed


def _last_notified(events: Iterable[ReminderEvent]) -> list[ReminderEvent]:
    """The last event of each reminder that people are notified of."""
    return list({event.reminder_id: event for event in events if event.type in NOTIFIED}.values())


def _to_a_person(
    channel: Channel,
    timings: dict[str, str],
    events: list[ReminderEvent],
    bodies: dict[int, dict[str, Any]],
    now: datetime,
) -> list[Message]:
    settings = settings_of(channel.user)
    at_once: dict[datetime, list[Message]] = defaultdict(list)
    written: list[Message] = []
    for event in events:
        body = bodies[event.pk]
        if timings[event.reminder.kind] == Subscription.Timing.DIGEST:
            due = next_digest(now, settings.digest_at, timezone.get_default_timezone())
            written.append(_message(channel, Purpose.ENTRY, due, body, event))
        else:
            due = earliest_time(settings, now, urgent=body["urgent"])
            at_once[due].append(_message(channel, Purpose.EVENT, due, body, event))
    for due, messages in at_once.items():
        # Messages that wait for the end of quiet hours are counted and bundled at their end.
        few = due > now or len(messages) <= MOST_SINGLE
        written += messages if few else _bundle(channel, due, messages)
    return written


def _bundle(channel: Channel, due: datetime, entries: list[Message]) -> list[Message]:
    """One message with the content of all entries, and the entries, which are not sent themselves."""
    bundle = _message(channel, Purpose.DIGEST, due, digest_body([entry.body for entry in entries]))
    for entry in entries:
        entry.state, entry.digest = State.BUNDLED, bundle
    return [bundle, *entries]


def _message(
    channel: Channel, purpose: str, due: datetime, body: dict[str, Any], event: ReminderEvent | None = None
) -> Message:
    return Message(
        channel=channel, purpose=purpose, event=event, body=body, not_before=due, next_attempt_at=due
    )


def _store(messages: list[Message]) -> None:
    """Write the messages and queue the delivery of their channels."""
    Message.objects.bulk_create(messages, batch_size=BATCH_SIZE)
    channels = {message.channel_id: message.channel for message in messages}
    for _, channel in sorted(channels.items()):
        queue_delivery(channel)


# Times


def settings_of(user: Any) -> NotificationSettings:
    """The notification settings of a person, or the defaults."""
    try:
        return user.notification_settings
    except NotificationSettings.DoesNotExist:
        return NotificationSettings(user=user)


def earliest_time(settings: NotificationSettings, now: datetime, urgent: bool = False) -> datetime:
    """The earliest time at which a message may be sent."""
    if urgent and settings.urgent_in_quiet:
        return now
    return after_quiet(now, settings.quiet_from, settings.quiet_to, timezone.get_default_timezone())


# Digests and bundles


@transaction.atomic
def write_digests(now: datetime) -> int:
    """Write the digest of each channel with due entries, one a day at most; returns their number.

    Entries that are not due any more expire. After a week without power it is one digest.
    """
    due_now = Q(not_before__lte=now) | Q(not_before__gt=now + LONGEST_WAIT)
    due = Message.objects.filter(due_now, purpose=Purpose.ENTRY, state=State.WAITING)
    channels = Channel.objects.filter(Exists(due.filter(channel=OuterRef("pk"))), ended_at=None)
    count = 0
    # Locked, so that of two that write at once the second sees what the first has bundled.
    channels = channels.order_by("pk").select_related("user__notification_settings")
    for channel in channels.select_for_update(no_key=True, of=("self",)):
        entries = list(due.filter(channel=channel).select_related("event__reminder"))
        count += _write_digest(channel, entries, now)
    return count


def _write_digest(channel: Channel, entries: list[Message], now: datetime) -> bool:
    settings, zone = settings_of(channel.user), timezone.get_default_timezone()
    day = now.astimezone(zone).date()
    if channel.messages.filter(digest_day=day).exists():
        # The time of the digest was moved after it had been written: these wait for the next day.
        later = next_digest(now, settings.digest_at, zone)
        while later.astimezone(zone).date() == day:
            later = next_digest(later, settings.digest_at, zone)
        Message.objects.filter(pk__in=[entry.pk for entry in entries]).update(
            not_before=later, next_attempt_at=later
        )
        return False
    due = [entry for entry in entries if still_due(entry, now)]
    due_ids = {entry.pk for entry in due}
    expire(entry for entry in entries if entry.pk not in due_ids)
    if not due:
        return False
    # A reminder may have several entries: the last one counts.
    last = {entry.body["reminder"]: entry.body for entry in sorted(due, key=lambda entry: entry.written_at)}
    digest = _message(channel, Purpose.DIGEST, earliest_time(settings, now), digest_body(list(last.values())))
    digest.digest_day = day
    _store([digest])
    Message.objects.filter(pk__in=[entry.pk for entry in due]).update(state=State.BUNDLED, digest=digest)
    return True


def bundle_held_back(channel: Channel, now: datetime) -> None:
    """Bundle messages that waited for the end of quiet hours, if they are many; the last of each reminder counts."""
    waiting = channel.messages.filter(purpose=Purpose.EVENT, state=State.WAITING, attempts=0)
    held_back = waiting.filter(not_before__gt=F("written_at"), not_before__lte=now)
    messages = list(held_back.select_related("event__reminder").order_by("written_at"))
    last = {message.body["reminder"]: message for message in messages if still_due(message, now)}
    if len(last) <= MOST_SINGLE:
        return
    bundled = {message.pk for message in last.values()}
    expire(message for message in messages if message.pk not in bundled)
    bodies = [message.body for message in last.values()]
    bundle = _message(channel, Purpose.DIGEST, now, digest_body(bodies))
    bundle.save(force_insert=True)
    Message.objects.filter(pk__in=bundled).update(state=State.BUNDLED, digest=bundle)


# The end of messages


def still_due(message: Message, now: datetime) -> bool:
    """Whether its reminder, or one of those in a bundle, is neither ended nor snoozed."""
    if message.event is None:
        # The digest of the day is written when it is due.
        entries = message.entries.select_related("event__reminder")
        return message.digest_day is not None or any(still_due(entry, now) for entry in entries)
    reminder = message.event.reminder
    snoozed = reminder.snoozed_until is not None and reminder.snoozed_until > now
    return reminder.ended_at is None and not snoozed


def superseded(message: Message, now: datetime) -> bool:
    """Whether a later message about the same reminder was sent to the channel, or may be sent now."""
    if message.event is None:
        return False
    later = Message.objects.filter(
        channel=message.channel_id,
        event__reminder=message.event.reminder_id,
        event__gt=message.event_id,
        purpose=Purpose.EVENT,
    )
    return later.filter(Q(state=State.SENT) | Q(state=State.WAITING, not_before__lte=now)).exists()


def expire(messages: Iterable[Message], reason: Statement = SUPERSEDED) -> None:
    """Mark waiting messages as not to be sent."""
    waiting = Message.objects.filter(pk__in=[message.pk for message in messages], state=State.WAITING)
    waiting.update(state=State.EXPIRED, ended_at=timezone.now(), error=reason)


def end_channel(channel: Channel, now: datetime, reason: Statement) -> None:
    """Send nothing to it any more; its waiting messages expire."""
    channel.ended_at = now
    channel.save(update_fields=["ended_at"])
    channel.messages.filter(state=State.WAITING).update(state=State.EXPIRED, ended_at=now, error=reason)


def expire_ended() -> None:
    """Expire the messages of ended channels that were written while their channel ended."""
    waiting = Message.objects.filter(state=State.WAITING, channel__ended_at__isnull=False)
    waiting.update(state=State.EXPIRED, ended_at=timezone.now(), error=ENDED)


def prune(now: datetime) -> int:
    """Delete old messages that do not wait; returns their number."""
    old = Message.objects.filter(written_at__lt=now - KEEP).exclude(state=State.WAITING)
    return old.delete()[0]


# People


@transaction.atomic
def send_test(channel: Channel) -> Message:
    """Write a test message, which is sent at once whatever the quiet hours and the backoff."""
    if channel.ended_at is not None or channel.kind not in SENDABLE:
        raise refusal("channel_ended", "This channel has ended or cannot send. Add it again.")
    message = _message(channel, Purpose.TEST, timezone.now(), test_body())
    _store([message])
    return message


@transaction.atomic
def retry(message: Message) -> None:
    """Send a failed message again, for another day."""
    # The channel first, as everywhere.
    channel = Channel.objects.select_for_update(no_key=True).get(pk=message.channel_id)
    message = Message.objects.select_for_update(no_key=True).get(pk=message.pk)
    if message.state != State.FAILED:
        raise refusal("not_failed", "Only a failed message can be sent again; look at the list.")
    if channel.ended_at is not None:
        raise refusal(
            "channel_ended", "This channel has ended. Add it again; open reminders are on the Reminders page."
        )
    now = timezone.now()
    message.state, message.ended_at = State.WAITING, None
    message.not_before = message.next_attempt_at = now
    message.save(update_fields=["state", "ended_at", "not_before", "next_attempt_at"])
    channel.backoff_until = None
    channel.save(update_fields=["backoff_until"])
    queue_delivery(channel)
