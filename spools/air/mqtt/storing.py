"""A batch of messages becomes measurements in one transaction, before the broker gets its acknowledgements."""

import logging
from collections.abc import Iterable, Sequence
from datetime import timedelta
from zlib import crc32

from django.db import InterfaceError, OperationalError, transaction
from django.db.models import F

from background.lines import as_line
from spools.air.mqtt.connection import WINDOW, Arrived
from spools.air.mqtt.notation import Rule
from spools.air.mqtt.payloads import Content, Reason, Unreadable, read_message
from spools.air.sensors.measurements import Measurement
from spools.air.sensors.recording import mark_seen, mark_silent, record_measurements
from spools.models import BrokerState, RefusedMessage

logger = logging.getLogger(__name__)
SHOWN_CHARACTERS = 80
# The topics with the newest refused messages.
MOST_REFUSED = 200
# Messages without a time of their own count at their arrival. Where the listener was away for longer than this, the
# arrival says nothing about those that waited at the broker.
WAITED_MOST = timedelta(minutes=5)
# The state of the database, not that of the messages.
RETRIED = (OperationalError, InterfaceError)


def store_batch(batch: Sequence[Arrived], rules: Sequence[Rule], has_waited: bool = False) -> None:
    """Store the messages; those that cannot be read are set aside. Raises only errors that go by: RETRIED.

    has_waited: they come from before the connection, and longer ago than WAITED_MOST.
    """
    try:
        _store(batch, rules, has_waited)
    except RETRIED:
        raise
    except Exception:
        logger.exception("A batch of %d messages failed; each is tried alone.", len(batch))
        for message in batch:
            try:
                _store([message], rules, has_waited)
            except RETRIED:
                raise
            except Exception:
                logger.exception("The message of %r could not be stored.", message.topic)
                _set_aside([(message, Reason.FAILED)])


@transaction.atomic
def _store(batch: Sequence[Arrived], rules: Sequence[Rule], has_waited: bool) -> None:
    state = BrokerState.objects.get(pk=1)
    known = set(state.unconfirmed)
    measurements: list[Measurement] = []
    presence: dict[str, tuple[Arrived, bool]] = {}
    refused: list[tuple[Arrived, Reason]] = []
    unconfirmed: list[str] = []
    for message in batch:
        if message.is_repeated and _fingerprint(message) in known:
            continue
        try:
            contents = _read(message, rules)
        except Unreadable as error:
            refused.append((message, error.reason))
            continue
        if not all(content.own_time for content in contents):
            # A retained message is as old as it may be: its value counts with a time of its own alone.
            contents = [
                content for content in contents if content.own_time or not (message.is_retained or has_waited)
            ]
            if has_waited and not message.is_retained:
                refused.append((message, Reason.NO_TIME))
            elif message.qos:
                unconfirmed.append(_fingerprint(message))
        for content in contents:
            measurements += content.measurements
            if content.is_online is not None:
                presence[content.sensor] = (message, content.is_online)
    if measurements:
        record_measurements(measurements)
    for sensor, (message, is_online) in presence.items():
        if is_online:
            mark_seen(sensor, message.at)
        else:
            mark_silent(sensor, message.at)
    _set_aside(refused)
    BrokerState.objects.filter(pk=1).update(
        messages=F("messages") + len(batch),
        message_at=batch[-1].at,
        unconfirmed=(state.unconfirmed + unconfirmed)[-2 * WINDOW :],
    )


def _read(message: Arrived, rules: Iterable[Rule]) -> list[Content]:
    """Times of arrival in whole seconds: temperature and humidity of a sensor then meet in one reading, and a message
    that the broker sends once for each of two topics is there once."""
    at = message.at.replace(microsecond=0)
    return [read_message(rule, message.topic, message.payload, at) for rule in rules]


def _fingerprint(message: Arrived) -> str:
    return f"{message.mid}:{crc32(message.payload, crc32(message.topic.encode())):08x}"


def _set_aside(refused: Sequence[tuple[Arrived, Reason]]) -> None:
    """Store the last refused message of each topic, and of so many topics at most."""
    for message, reason in refused:
        start = as_line(message.payload[: 4 * SHOWN_CHARACTERS].decode(errors="replace"))[:SHOWN_CHARACTERS]
        values = {"payload": start, "reason": reason, "last_at": message.at}
        topic = as_line(message.topic)[:200]
        if not RefusedMessage.objects.filter(topic=topic).update(**values, times=F("times") + 1):
            RefusedMessage.objects.create(topic=topic, **values)
    if refused and RefusedMessage.objects.count() > MOST_REFUSED:
        kept = RefusedMessage.objects.order_by("-last_at", "-id").values("pk")[:MOST_REFUSED]
        RefusedMessage.objects.exclude(pk__in=list(kept.values_list("pk", flat=True))).delete()
