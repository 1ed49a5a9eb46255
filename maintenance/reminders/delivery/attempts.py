"""One try to send one message: sent outside any transaction, its outcome stored inside one.

Whoever dies between the two leaves the message waiting, so it is sent again: at least once, and the id tells
doubles.
"""

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.utils import timezone

from background.queue import enqueue
from maintenance.models import Channel, Message
from maintenance.reminders.delivery import mail, push, webhook
from maintenance.reminders.delivery.outbox import (
    DISPATCH,
    ENDED,
    SUPERSEDED,
    TO_PEOPLE,
    lapse,
    overtaken,
    queue_try,
    rests,
    still_due,
)
from maintenance.reminders.delivery.posting import DeliveryFailed

logger = logging.getLogger(__name__)
State = Message.State
SENDERS = {Channel.Kind.EMAIL: mail.send, Channel.Kind.WEBHOOK: webhook.send, Channel.Kind.PUSH: push.send}
# Seconds to wait after the first failure, the second, ...; the last one again and again.
PAUSES_S = [10, 30, 120, 600, 1800, 3600, 7200]
# Given up so long after its time, but not before so many failures: the shop itself may have been off.
PATIENCE, LEAST_FAILURES = timedelta(days=1), 6
LONGEST_ERROR = 300


@dataclass(frozen=True)
class Outcome:
    """What came of a try: sent when there is no failure; lapsed: why it was not tried and will not be."""

    failure: DeliveryFailed | None = None
    lapsed: str = ""


def attempt(message: str, number: int) -> Outcome | None:
    """Send it, if this is still its try; None when it is not."""
    now = timezone.now()
    mine = Message.objects.filter(pk=message, state=State.WAITING, attempts=number)
    found = mine.select_related("channel__user", "event__reminder").first()
    if found is None:
        return None
    channel = found.channel
    if channel.ended_at is not None or not channel.user.is_active:
        return Outcome(lapsed=ENDED)
    is_test = found.purpose == Message.Purpose.TEST
    to_a_person = channel.kind in TO_PEOPLE and not is_test
    if to_a_person and (not still_due(found, now) or overtaken(found, now)):
        return Outcome(lapsed=SUPERSEDED)
    if not is_test and rests(channel, now):
        return None
    try:
        SENDERS[Channel.Kind(channel.kind)](found)
    except DeliveryFailed as failure:
        return Outcome(failure)
    except Exception as error:
        logger.exception("%s could not be sent.", found.pk)
        return Outcome(DeliveryFailed(f"Something is wrong on our side ({type(error).__name__})."))
    return Outcome()


def keep(message: str, number: int, outcome: Outcome | None) -> None:
    """Store what came of a try, and see to the next one. Called inside a transaction."""
    if outcome is None:
        return
    # The channel first, as everywhere.
    channel = Channel.objects.select_for_update(no_key=True, of=("self",)).get(messages__pk=message)
    found = Message.objects.select_for_update().get(pk=message)
    if found.state != State.WAITING or found.attempts != number:
        return
    now = timezone.now()
    if outcome.lapsed:
        lapse([found], outcome.lapsed)
        return
    found.attempts += 1
    if outcome.failure is None:
        _sent(found, channel, now)
    else:
        _failed(found, channel, outcome.failure, now)


def _sent(message: Message, channel: Channel, now: datetime) -> None:
    message.state, message.error, message.ended_at = State.SENT, "", now
    message.save()
    _works(channel)


def _works(channel: Channel) -> None:
    """There is somebody there: what has waited for that goes out now."""
    if channel.failures:
        channel.failures, channel.backoff_until = 0, None
        channel.save(update_fields=["failures", "backoff_until"])
        enqueue(DISPATCH)


def _failed(message: Message, channel: Channel, failure: DeliveryFailed, now: datetime) -> None:
    message.error = str(failure)[:LONGEST_ERROR]
    if failure.channel_gone:
        end_channel(channel, now, message.error)
    elif failure.channel_down:
        _rest(channel, failure, now)
    else:
        _works(channel)
    message.next_attempt_at = max(now + pause(message.attempts), channel.backoff_until or now)
    patient = now < message.not_before + PATIENCE
    tried = max(message.attempts, channel.failures) >= LEAST_FAILURES
    if failure.permanent or failure.channel_gone or (tried and not patient):
        message.state, message.ended_at = State.FAILED, now
    message.save()
    if failure.channel_down and not failure.channel_gone:
        _see_to_all(channel, message.error, now)
    elif message.state == State.WAITING:
        queue_try(message, message.next_attempt_at)


def _rest(channel: Channel, failure: DeliveryFailed, now: datetime) -> None:
    """No other message by this channel is tried for a while, or each would cost a time-out."""
    channel.failures += 1
    asked = timedelta(seconds=min(failure.retry_after_s or 0, PAUSES_S[-1]))
    channel.backoff_until = now + max(pause(channel.failures), asked)
    channel.save(update_fields=["failures", "backoff_until"])


def _see_to_all(channel: Channel, error: str, now: datetime) -> None:
    """Give up what has waited too long for this channel; try next what was tried least.

    A message that the receiver cannot take would hold up all others if it were tried first again.
    """
    waiting = channel.messages.filter(state=State.WAITING).exclude(purpose=Message.Purpose.ENTRY)
    if channel.failures >= LEAST_FAILURES:
        waiting.filter(not_before__lte=now - PATIENCE).update(state=State.FAILED, ended_at=now, error=error)
    due = waiting.filter(not_before__lte=channel.backoff_until)
    if (following := due.order_by("attempts", "not_before").first()) is not None:
        queue_try(following, max(following.next_attempt_at, channel.backoff_until or now))


def end_channel(channel: Channel, now: datetime, why: str) -> None:
    """Nothing is sent by it any more; what waits for it lapses."""
    channel.ended_at = now
    channel.save(update_fields=["ended_at"])
    channel.messages.filter(state=State.WAITING).update(state=State.EXPIRED, ended_at=now, error=why)


def pause(failures: int) -> timedelta:
    """How long to wait after so many failures."""
    return timedelta(seconds=PAUSES_S[min(failures, len(PAUSES_S)) - 1])
