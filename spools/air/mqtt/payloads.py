"""Payloads of messages, read after a rule: measurements, or whether a sensor is there."""

import re
from datetime import UTC, datetime, timedelta
from math import isfinite
from typing import Any, NamedTuple

import msgspec
from django.core.exceptions import ValidationError
from django.utils import timezone

from spools.air.mqtt.notation import NUMBER, QUANTITIES, Path, Reads, Rule
from spools.air.sensors.measurements import Measurement
from spools.air.sensors.senml import read_senml
from spools.models import RefusedMessage

Reason = RefusedMessage.Reason
MOST_BYTES = 65_536
LONGEST_NAME = 100
NUMBER_TEXT = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.ASCII | re.IGNORECASE)
# Unix times above are in milliseconds: in seconds it would be the year 5138.
LEAST_MILLISECONDS = 1e11


class Unreadable(Exception):
    """A payload that is not as its rule says."""

    def __init__(self, reason: Reason) -> None:
        super().__init__(reason)
        self.reason = reason


class Content(NamedTuple):
    """What a message says. own_time: the time is the sensor's, not that of the arrival."""

    measurements: tuple[Measurement, ...] = ()
    own_time: bool = True
    sensor: str = ""
    is_online: bool | None = None


NOTHING = Content()


def read_message(rule: Rule, topic: str, payload: bytes, arrived: datetime) -> Content:
    """The content of a message; NOTHING where the rule does not concern it. Raises Unreadable."""
    levels = rule.topic.match(topic)
    if levels is None:
        return NOTHING
    if len(payload) > MOST_BYTES:
        raise Unreadable(Reason.TOO_LONG)
    if rule.reads.is_senml:
        return _senml(payload, arrived)
    sensor = rule.sensor or levels.get("sensor", "")
    if not 0 < len(sensor) <= LONGEST_NAME or not sensor.isprintable():
        raise Unreadable(Reason.BAD_NAME)
    if rule.reads.online:
        return Content(sensor=sensor, is_online=_presence(rule.reads, payload))
    quantity = QUANTITIES.get(levels.get("quantity", "").lower(), "")
    if NUMBER in rule.reads.values and not quantity:
        return NOTHING
    at, own_time = arrived, False
    if any(rule.reads.values.values()):
        document = _json(payload)
        found = [(name, find_value(document, path)) for name, path in rule.reads.values.items()]
        if rule.reads.time:
            at, own_time = read_time(find_value(document, rule.reads.time)), True
    else:
        found = [(name, payload.decode(errors="replace")) for name in rule.reads.values]
    values = [
        (quantity if name == NUMBER else name, read_number(value))
        for name, value in found
        if value is not None
    ]
    if not values:
        raise Unreadable(Reason.NO_VALUE)
    return Content(
        tuple(
            Measurement(
                sensor, name, to_celsius(value) if name == "temperature" and rule.is_fahrenheit else value, at
            )
            for name, value in values
        ),
        own_time,
    )


def find_value(document: Any, path: Path) -> Any:
    """The value at a path, or None. A key with dots is found as well."""
    if not path:
        return document
    if isinstance(document, dict):
        for count in range(len(path), 0, -1):
            key = ".".join(path[:count])
            if key in document:
                return find_value(document[key], path[count:])
    if isinstance(document, list) and re.fullmatch(r"[0-9]{1,4}", path[0]) and int(path[0]) < len(document):
        return find_value(document[int(path[0])], path[1:])
    return None


def read_number(value: Any) -> float:
    """A finite number, from JSON or as text."""
    try:
        if isinstance(value, str) and NUMBER_TEXT.fullmatch(value.strip()):
            value = float(value)
        if isinstance(value, int | float) and not isinstance(value, bool) and isfinite(float(value)):
            return float(value)
    except OverflowError:
        pass
    raise Unreadable(Reason.NO_NUMBER)


def read_time(value: Any) -> datetime:
    """ISO 8601, in the shop's zone without one, or Unix time in seconds or milliseconds."""
    try:
        if isinstance(value, str) and not NUMBER_TEXT.fullmatch(value.strip()):
            at = datetime.fromisoformat(value.strip())
            return (at if at.tzinfo else timezone.make_aware(at)).astimezone(UTC)
        seconds = read_number(value)
        return datetime.fromtimestamp(seconds / 1000 if seconds >= LEAST_MILLISECONDS else seconds, UTC)
    except (ValueError, OverflowError, OSError, Unreadable):
        raise Unreadable(Reason.BAD_TIME) from None


def to_celsius(fahrenheit: float) -> float:
    """°C of °F, without the rounding errors that the division leaves."""
    return round((fahrenheit - 32) / 1.8, 6)


def _json(payload: bytes) -> Any:
    try:
        return msgspec.json.decode(payload)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError):
        raise Unreadable(Reason.NO_JSON) from None


def _presence(reads: Reads, payload: bytes) -> bool:
    value = (
        find_value(_json(payload), reads.state) if reads.state else payload.decode(errors="replace").strip()
    )
    text = str(value).lower() if isinstance(value, bool) else str(value)
    if text not in (reads.online, reads.offline):
        raise Unreadable(Reason.BAD_STATE)
    return text == reads.online


def _senml(payload: bytes, arrived: datetime) -> Content:
    """SenML times are absolute, or relative to now: only the latter move with the time of the reading."""
    try:
        measurements = tuple(read_senml(payload, arrived))
        own_time = measurements == tuple(read_senml(payload, arrived - timedelta(days=1)))
    except ValidationError:
        raise Unreadable(Reason.BAD_SENML) from None
    return Content(measurements, own_time)
