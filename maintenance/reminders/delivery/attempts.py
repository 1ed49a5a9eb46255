"""Delivery of a channel: its due messages are sent one by one, outside any transaction.

The outcome of each attempt is stored in a transaction of its own. A crash between the two leaves the message
waiting: delivery is at-least-once, and the id lets receivers drop duplicates.
"""

import logging
import time
from datetime import datetime, timedelta

from django.db import transaction
from django.utils import timezone

from access.display import shown_for
from maintenance.models import Channel, Message
from maintenance.reminders.delivery import mail, push, webhook
from maintenance.reminders.delivery.outbox import (
    ENDED,
    SUPERSEDED,
    TO_PEOPLE,
    bundle_due,
    end_channel,
    expire,
    still_due,
    superseded,
)
from maintenance.reminders.delivery.posting import DeliveryFailed
from maintenance.reminders.delivery.schedule import next_message
from spools.statements import Statement

logger = logging.getLogger(__name__)
State = Message.State
SENDERS = {Channel.Kind.EMAIL: mail.send, Channel.Kind.WEBHOOK: webhook.send, Channel.Kind.PUSH: push.send}
# A run begins no other attempt after so long: other channels wait for the same worker.
BUDGET_S = 10.0
# Seconds of backoff after the first failure, the second, ...; the last one again and again.
BACKOFF_S = [10, 30, 120, 600, 1800, 3600, 7200]
# Given up after so long, but not before so many failures: the shop itself may have been off.
GIVE_UP_AFTER, LEAST_FAILURES = timedelta(days=1), 6


# The outcome of an attempt: none if it was sent, the failure, or the reason for not sending it at all.
Outcome = DeliveryFailed | Statement | None


def deliver_due(channel: int) -> None:
    """Send the due messages of a channel until none is left, the channel fails, or BUDGET_S is over."""
    began = time.monotonic()
    with transaction.atomic():
        bundle_due(_lock_channel(channel), timezone.now())
    while time.monotonic() - began < BUDGET_S:
        message = next_message(Channel.objects.get(pk=channel), timezone.now())
        if message is None:
            return
        outcome = attempt(message)
        store_outcome(message, outcome)
        if isinstance(outcome, DeliveryFailed) and outcome.channel_down:
            return


def attempt(message: Message) -> Outcome:
    """Send it, unless it is not to be sent any more."""
    channel, now = message.channel, timezone.now()
    if channel.ended_at is not None or not channel.user.is_active:
        return ENDED
    to_a_person = channel.kind in TO_PEOPLE and message.purpose != Message.Purpose.TEST
    if to_a_person and (not still_due(message, now) or superseded(message, now)):
        return SUPERSEDED
    try:
        # A webhook belongs to the shop.
        with shown_for(channel.user if channel.kind in TO_PEOPLE else None):
            SENDERS[Channel.Kind(channel.kind)](message)
    except DeliveryFailed as failure:
        return failure
    except Exception as error:
        logger.exception("%s could not be sent.", message.pk)
        return DeliveryFailed("our_error", {"reason": type(error).__name__})
    return None


@transaction.atomic
def store_outcome(message: Message, outcome: Outcome) -> None:
    """Store the outcome of an attempt, unless the message has ended meanwhile."""
    # The channel first, as everywhere.
    channel = _lock_channel(message.channel_id)
    message = Message.objects.select_for_update(no_key=True).get(pk=message.pk)
    if message.state != State.WAITING:
        return
    now = timezone.now()
    if isinstance(outcome, Statement):
        expire([message], outcome)
        return
    message.attempts += 1
    if outcome is None:
        message.state, message.error, message.ended_at = State.SENT, None, now
        _reset_backoff(channel)
    else:
        _store_failure(message, channel, outcome, now)
    message.save()


def _store_failure(message: Message, channel: Channel, failure: DeliveryFailed, now: datetime) -> None:
    message.error = failure.reason
    if failure.channel_gone:
        end_channel(channel, now, failure.reason)
    elif failure.channel_down:
        _back_off(channel, failure, now)
    else:
        _reset_backoff(channel)
    message.next_attempt_at = max(now + backoff(message.attempts), channel.backoff_until or now)
    overdue = message.not_before <= now - GIVE_UP_AFTER
    often = max(message.attempts, channel.failures) >= LEAST_FAILURES
    if failure.permanent or failure.channel_gone or (often and overdue):
        message.state, message.ended_at = State.FAILED, now
    if failure.channel_down and channel.failures >= LEAST_FAILURES:
        waiting = channel.messages.filter(state=State.WAITING, not_before__lte=now - GIVE_UP_AFTER)
        waiting = waiting.exclude(purpose=Message.Purpose.ENTRY)
        waiting.update(state=State.FAILED, ended_at=now, error=failure.reason)


def _back_off(channel: Channel, failure: DeliveryFailed, now: datetime) -> None:
    """Try no other message for a while, or each would cost a time-out."""
    channel.failures += 1
    requested = timedelta(seconds=min(failure.retry_after_s or 0, BACKOFF_S[-1]))
    channel.backoff_until = now + max(backoff(channel.failures), requested)
    channel.save(update_fields=["failures", "backoff_until"])


def _reset_backoff(channel: Channel) -> None:
    """The receiver answers."""
    if channel.failures:
        channel.failures, channel.backoff_until = 0, None
        channel.save(update_fields=["failures", "backoff_until"])


def backoff(failures: int) -> timedelta:
    """The delay after that many failures."""
    return timedelta(seconds=BACKOFF_S[min(failures, len(BACKOFF_S)) - 1])


def _lock_channel(pk: int) -> Channel:
    return Channel.objects.select_for_update(no_key=True).get(pk=pk)
