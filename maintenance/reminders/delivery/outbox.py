"""Transactional outbox: messages are written with their event and queued until delivered."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.contrib.auth import get_user_model
from django.db import transaction
from django.db.models import Exists, OuterRef, Q
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.models import Channel, Message, NotificationSettings, Reminder, ReminderEvent, Subscription
from maintenance.reminders.delivery import confirmation
from maintenance.reminders.delivery.schedule import queue_delivery
from maintenance.reminders.delivery.times import DAY, after_quiet, instant, next_digest
from maintenance.reminders.delivery.wording import (
    NOTIFIED,
    body_of,
    confirmation_body,
    digest_body,
    test_body,
)
from maintenance.reminders.links import with_subjects
from spools.refusals import refusal
from spools.statements import Statement

Kind, Purpose, State = Channel.Kind, Message.Purpose, Message.State
TO_PEOPLE = [Kind.EMAIL, Kind.PUSH]
SENDABLE = [*TO_PEOPLE, Kind.WEBHOOK]
# More than so many that are due together are bundled into one message.
MOST_SINGLE = 5
BATCH_SIZE = 500  # rows written at a time
# Retention of messages; the history of the reminders themselves is not deleted.
KEEP = timedelta(days=90)
# Tests of an account.
MOST_TESTS, HOUR = 5, timedelta(hours=1)
ENDED = Statement("delivery.channel_ended")
SUPERSEDED = Statement("delivery.superseded")


def post(events: Sequence[ReminderEvent]) -> None:
    """Write a message for each channel that carries one of these events, in the caller's transaction.

    People are notified when a reminder opens, becomes urgent or returns, once per reminder; a webhook gets
    every event. The number of queries does not grow with the number of events, but for the rows written.
    """
    kinds = {event.reminder.kind for event in events}
    carrying = Channel.objects.filter(kind__in=SENDABLE, ended_at=None, user__is_active=True)
    carrying = carrying.filter(unconfirmed=False, subscriptions__reminder_kind__in=kinds).distinct()
    carrying = carrying.select_related("user__notification_settings").prefetch_related("subscriptions")
    if not carrying:
        return
    reminders = with_subjects(Reminder.objects.all()).in_bulk({event.reminder_id for event in events})
    bodies = {event.pk: body_of(event, reminders[event.reminder_id]) for event in events}
    now = timezone.now()
    _store([message for channel in carrying for message in _messages(channel, events, bodies, now)])


def _messages(
    channel: Channel, events: Sequence[ReminderEvent], bodies: dict[int, dict[str, Any]], now: datetime
) -> Iterator[Message]:
    """To a webhook about each event, to a person about the last notified event of each reminder."""
    timings = {row.reminder_kind: row.timing for row in channel.subscriptions.all()}
    carried = [event for event in events if event.reminder.kind in timings]
    if channel.kind == Kind.WEBHOOK:
        for event in carried:
            yield _message(channel, Purpose.EVENT, now, bodies[event.pk], event)
        return
    settings = settings_of(channel.user)
    last = {event.reminder_id: event for event in carried if event.type in NOTIFIED}
    for event in last.values():
        body = bodies[event.pk]
        if timings[event.reminder.kind] == Subscription.Timing.DIGEST:
            due = next_digest(now, settings.digest_at, timezone.get_default_timezone())
            yield _message(channel, Purpose.ENTRY, due, body, event)
        else:
            yield _message(channel, Purpose.EVENT, earliest_time(settings, now, body["urgent"]), body, event)


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
    for __, channel in sorted(channels.items()):
        queue_delivery(channel)


# Times


def settings_of(user: Any) -> NotificationSettings:
    """The notification settings of a person, or the defaults."""
    return getattr(user, "notification_settings", None) or NotificationSettings(user=user)


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
    due = Message.objects.filter(not_before__lte=now, purpose=Purpose.ENTRY, state=State.WAITING)
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
        later = instant(day + DAY, settings.digest_at, zone)
        waiting = Message.objects.filter(pk__in=[entry.pk for entry in entries])
        waiting.update(not_before=later, next_attempt_at=later)
        return False
    return _bundle(channel, entries, now, 0, earliest_time(settings, now), day)


def bundle_due(channel: Channel, now: datetime) -> None:
    """Bundle the messages to a person that are due together, if they are many."""
    if channel.kind in TO_PEOPLE:
        due = channel.messages.filter(
            purpose=Purpose.EVENT, state=State.WAITING, attempts=0, not_before__lte=now
        )
        _bundle(channel, list(due.select_related("event__reminder")), now, MOST_SINGLE, now)


def _bundle(
    channel: Channel, entries: list[Message], now: datetime, few: int, due: datetime, day: date | None = None
) -> bool:
    """Write one message with those that are still due, if more than a few are; the last of each reminder counts."""
    entries.sort(key=lambda entry: entry.written_at)
    last = {entry.body["reminder"]: entry for entry in entries if still_due(entry, now)}
    bundled = {entry.pk for entry in last.values()}
    expire(entry for entry in entries if entry.pk not in bundled)
    if len(last) <= few:
        return False
    bundle = _message(channel, Purpose.DIGEST, due, digest_body([entry.body for entry in last.values()]))
    bundle.digest_day = day
    bundle.save(force_insert=True)
    Message.objects.filter(pk__in=bundled).update(state=State.BUNDLED, digest=bundle)
    return True


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
def send_test(channel: Channel, site: str = "") -> Message:
    """Write a test message, which is sent at once whatever the quiet hours and the backoff.

    To an unconfirmed e-mail address it is the link that confirms it. site: how the sender reached the service, for the
    link while PUBLIC_URL is not set.
    """
    if channel.ended_at is not None or channel.kind not in SENDABLE:
        raise refusal("channel_ended", _("This channel has ended or cannot send. Add it again."))
    # One at a time, so that tests at the same moment count each other.
    get_user_model().objects.select_for_update(no_key=True).get(pk=channel.user_id)
    recent = Message.objects.filter(channel__user=channel.user_id, purpose=Purpose.TEST)
    if recent.filter(written_at__gt=timezone.now() - HOUR).count() >= MOST_TESTS:
        raise refusal(
            "too_many_tests",
            _("{number} tests were sent within an hour. Wait a while.").format(number=MOST_TESTS),
        )
    body = confirmation_body(confirmation.write(channel), site) if channel.unconfirmed else test_body()
    message = _message(channel, Purpose.TEST, timezone.now(), body)
    _store([message])
    return message


@transaction.atomic
def retry(message: Message) -> None:
    """Send a failed message again, for another day."""
    # The channel first, as everywhere.
    channel = Channel.objects.select_for_update(no_key=True).get(pk=message.channel_id)
    message = Message.objects.select_for_update(no_key=True).get(pk=message.pk)
    if message.state != State.FAILED:
        raise refusal("not_failed", _("Only a failed message can be sent again; look at the list."))
    if channel.ended_at is not None:
        raise refusal(
            "channel_ended",
            _("This channel has ended. Add it again; open reminders are on the Reminders page."),
        )
    now = timezone.now()
    message.state, message.ended_at = State.WAITING, None
    message.not_before = message.next_attempt_at = now
    message.save(update_fields=["state", "ended_at", "not_before", "next_attempt_at"])
    channel.backoff_until = None
    channel.save(update_fields=["backoff_until"])
    queue_delivery(channel)
