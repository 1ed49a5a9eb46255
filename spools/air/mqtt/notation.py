"""The notation of rules: which topics, which sensor, and where its values are in a payload.

A topic is written as for a broker, with + and #. {sensor} stands for a level with the name of the sensor (several are
joined with "/"), {quantity} for one with the name of the quantity. What is read is written as words:

    temperature                                    a plain number; also humidity, battery
    number                                         a plain number of the {quantity} in the topic
    temperature=env.t humidity=env.rh time=at      values in JSON by their path; also number=value
    senml                                          SenML (RFC 8428), JSON or CBOR, with its own names
    online=up offline=down                         whether the sensor is there; state=path for JSON
"""

import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from django.utils.translation import gettext as _

from spools.refusals import refusal

Path = tuple[str, ...]
# Words for the quantities in topics.
QUANTITIES = {
    **dict.fromkeys(("temperature", "temp", "t", "temperature_c", "temperature_f"), "temperature"),
    **dict.fromkeys(("humidity", "hum", "rh", "rh_pct", "relative_humidity"), "humidity"),
    **dict.fromkeys(("battery", "batt", "bat", "battery_level", "battery_pct"), "battery"),
}
NUMBER, SENML = "number", "senml"
VALUES = ("temperature", "humidity", "battery", NUMBER)
PRESENCE = ("online", "offline", "state")


class Topic(NamedTuple):
    """A pattern of topics by its levels."""

    levels: tuple[str, ...]

    @property
    def filter(self) -> str:
        """The pattern as a broker takes it."""
        return "/".join("+" if level.startswith("{") else level for level in self.levels)

    def match(self, topic: str) -> Mapping[str, str] | None:
        """The sensor and the quantity in a topic; None where the pattern is another one's."""
        levels = topic.split("/")
        own = self.levels
        if own[-1] == "#":
            own, levels = own[:-1], levels[: len(own) - 1]
        if len(own) != len(levels):
            return None
        found: dict[str, str] = {}
        for pattern, level in zip(own, levels, strict=True):
            if pattern.startswith("{"):
                name = pattern[1:-1]
                found[name] = f"{found[name]}/{level}" if name in found else level
            elif pattern not in ("+", level):
                return None
        return found


@dataclass(frozen=True)
class Reads:
    """Where values are in a payload: paths by quantity, () for the payload itself. time: path of the time."""

    values: Mapping[str, Path]
    time: Path | None = None
    is_senml: bool = False
    online: str = ""
    offline: str = ""
    state: Path = ()


class Rule(NamedTuple):
    """A rule ready for use."""

    topic: Topic
    reads: Reads
    sensor: str
    is_fahrenheit: bool


def parse_topic(text: str) -> Topic:
    """The pattern; ValidationError on "topic" where a broker would refuse it or a word in braces is unknown."""
    levels = tuple(text.strip().split("/"))
    for number, level in enumerate(levels, start=1):
        if level == "#" and number < len(levels):
            raise refusal("topic_hash", _("# stands for all deeper levels: write it at the end."), "topic")
        is_word = level in ("{sensor}", "{quantity}", "+", "#")
        if not is_word and any(character in level for character in "+#{}"):
            raise refusal(
                "topic_level",
                _(
                    "“{level}” is no level of a topic. Between two slashes write a plain word, +, {{sensor}} or {{quantity}}."
                ).format(level=level),
                "topic",
            )
    if not text.strip() or levels.count("{quantity}") > 1:
        raise refusal(
            "topic_empty",
            _("Write a topic such as sensors/{sensor}/{quantity}, with {quantity} once."),
            "topic",
        )
    return Topic(levels)


def parse_reads(text: str) -> Reads:
    """The values that a rule reads; ValidationError on "reads" that shows how to write it."""
    try:
        words = [word.partition("=") for word in shlex.split(text)]
    except ValueError:
        raise refusal("reads_quotes", _("A quotation mark is not closed."), "reads") from None
    names = [name for name, _sign, _value in words]
    known = {*VALUES, *PRESENCE, "time", SENML}
    unknown = next((name for name in names if name not in known), None)
    if unknown is not None or not names or len(set(names)) < len(names):
        raise _notation(unknown or "")
    found = {name: value for name, sign, value in words if sign}
    if names == [SENML] and not found:
        return Reads({}, is_senml=True)
    if set(names) <= set(PRESENCE) and found.get("online") and found.get("offline"):
        return Reads(
            {}, online=found["online"], offline=found["offline"], state=_steps(found.get("state", ""))
        )
    if len(names) == 1 and names[0] in VALUES and not found:
        return Reads({names[0]: ()})
    values = {name: _steps(found.get(name, "")) for name in names if name in VALUES}
    others = set(names) - {*VALUES, "time"}
    if (
        others
        or not values
        or not all(found.get(name) for name in names)
        or (NUMBER in values and len(values) > 1)
    ):
        raise _notation("")
    return Reads(values, time=_steps(found["time"]) if "time" in found else None)


def require_sensor(topic: Topic, reads: Reads, sensor: str) -> None:
    """A rule needs one way to the name of the sensor, and {quantity} goes with "number"."""
    if (NUMBER in reads.values) != ("{quantity}" in topic.levels):
        raise refusal(
            "reads_quantity",
            _("Read “number” where the topic has {quantity}, and only there; otherwise name the quantity."),
            "reads",
        )
    if not reads.is_senml and bool(sensor) == ("{sensor}" in topic.levels):
        raise refusal(
            "rule_sensor",
            _("Write {sensor} as a level of the topic, or the name of the sensor here: one of both."),
            "sensor",
        )


def _steps(text: str) -> Path:
    return tuple(text.split(".")) if text else ()


def _notation(word: str) -> Exception:
    examples = (
        "temperature; number; temperature=temp.value humidity=rh time=at; senml; online=up offline=down"
    )
    if word:
        return refusal(
            "reads_word",
            _("“{word}” is no word of this notation. Examples: {examples}").format(
                word=word, examples=examples
            ),
            "reads",
        )
    return refusal(
        "reads", _("Write it as in one of these examples: {examples}").format(examples=examples), "reads"
    )
