"""Sensor Measurement Lists (SenML, RFC 8428) in JSON and CBOR, read into measurements."""

import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from io import BytesIO
from math import isfinite
from typing import Any

import cbor2
import msgspec
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

from spools.air.sensors.measurements import BATTERY, HUMIDITY, TEMPERATURE, Measurement
from spools.physics.air import ZERO_C
from spools.refusals import refusal

MOST_RECORDS = 10_000
# Section 4.3; this is the version of the RFC (4.4).
VERSION = 10
# Times below that are relative to now (4.5.3).
LEAST_ABSOLUTE_S = 2**28
# Section 4.5.1.
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:._/]*", re.ASCII)
# Integer labels of CBOR (section 6, table 4).
LABELS = {
    -1: "bver",
    -2: "bn",
    -3: "bt",
    -4: "bu",
    -5: "bv",
    -6: "bs",
    0: "n",
    1: "u",
    2: "v",
    3: "vs",
    4: "vb",
    5: "s",
    6: "t",
    7: "ut",
    8: "vd",
}
# Units of the registry (12.1) that mean something here, each with its quantity; the values of others are passed over.
UNITS: dict[str, tuple[str, Callable[[float], float]]] = {
    "Cel": (TEMPERATURE, lambda value: value),
    "K": (TEMPERATURE, lambda value: round(value - ZERO_C, 6)),
    "%RH": (HUMIDITY, lambda value: value),
    "%EL": (BATTERY, lambda value: value),
}
# The last part of a name that tells what a device measures, not which device it is.
QUANTITY_PART = re.compile(
    r"(?<=.)[:._/\-](?:t|temp|temperature|h|hum|humidity|rh|bat|batt|battery)$", re.ASCII | re.IGNORECASE
)


def read_senml(content: bytes, now: datetime) -> list[Measurement]:
    """The measurements of a pack; those of other quantities are passed over. now: when it came.

    The sensor is the resolved name, without a last part that names a quantity ("shelf:temp" is of "shelf").
    Refused, whole: what is no SenML of this version, a field that must be understood, more than MOST_RECORDS records.
    """
    is_json = content.lstrip()[:1] == b"["
    records = _decode_json(content) if is_json else _decode_cbor(content)
    if not isinstance(records, list) or not records:
        raise _refuse(_("Send a SenML pack: an array of at least one record."))
    if len(records) > MOST_RECORDS:
        raise refusal("many_records", _("Send at most {most} records at once.").format(most=MOST_RECORDS))
    return list(_resolve(records, now))


def _decode_json(content: bytes) -> Any:
    try:
        return msgspec.json.decode(content)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise _refuse(_("This is not JSON ({error}).").format(error=str(error)[:100])) from None


def _decode_cbor(content: bytes) -> Any:
    stream = BytesIO(content)
    try:
        records = cbor2.CBORDecoder(stream).decode()
        # A library raises what its parts raise for what is no CBOR.
    except Exception as error:
        raise _refuse(_("This is not CBOR ({error}).").format(error=str(error)[:100])) from None
    if stream.read(1):
        raise _refuse(_("There is something behind the pack."))
    if not isinstance(records, list):
        return records
    return [_name_labels(record) if isinstance(record, dict) else record for record in records]


def _name_labels(record: dict[Any, Any]) -> dict[Any, Any]:
    return {
        LABELS.get(label, label) if isinstance(label, int) else label: value
        for label, value in record.items()
    }


def _resolve(records: list[Any], now: datetime) -> Iterator[Measurement]:
    """The records with the base fields before them put in (section 4.6)."""
    base: dict[str, Any] = {}
    devices: dict[str, str] = {}
    received_s = now.replace(microsecond=0).timestamp()
    for number, record in enumerate(records, start=1):
        if not isinstance(record, dict):
            raise _refuse(_("Record {number} is no map of fields.").format(number=number))
        try:
            if not record.keys() <= _PLAIN:
                _require_understood(record)
            if not _BASE.isdisjoint(record):
                base.update((label, record[label]) for label in _BASE & record.keys())
                if base.get("bver", VERSION) != VERSION:
                    raise _Unknown("bver")
            if "v" not in record and "bv" not in base:
                continue
            unit = record.get("u", base.get("bu", ""))
            known = UNITS.get(unit) if isinstance(unit, str) else None
            name = _text(base.get("bn", "")) + _text(record.get("n", ""))
            if (sensor := devices.get(name)) is None:
                if not NAME.fullmatch(name):
                    raise ValueError(name)
                sensor = devices[name] = QUANTITY_PART.sub("", name)
            if known is None or ("v" not in record and not _OTHER_VALUES.isdisjoint(record)):
                continue
            seconds = _add(base.get("bt", 0), record.get("t", 0))
            if seconds < LEAST_ABSOLUTE_S:
                seconds += received_s
            value = _add(record.get("v", 0), base.get("bv", 0))
            at = datetime.fromtimestamp(seconds, UTC)
        except _Unknown as error:
            raise refusal(
                "not_understood",
                _("Record {number} has the field {label}, which is not understood here.").format(
                    number=number, label=str(error)[:40]
                ),
            ) from None
        except (ValueError, OverflowError, OSError):
            raise _refuse(
                _("Record {number} has a name, a time or a value that cannot be read.").format(number=number)
            ) from None
        yield Measurement(sensor, known[0], known[1](value), at)


_BASE = frozenset(["bver", "bn", "bt", "bu", "bv", "bs"])
_OTHER_VALUES = frozenset(["vs", "vb", "vd"])
_PLAIN_NUMBERS = (float, int)
_PLAIN = _BASE | _OTHER_VALUES | {"n", "u", "v", "t", "ut", "s"}


class _Unknown(Exception):
    """A field, or a version, that a reader must understand."""


def _require_understood(record: dict[Any, Any]) -> None:
    """Section 4.4: whoever does not know a field that ends in "_" must refuse the pack."""
    for label in record:
        if not isinstance(label, str) or label.endswith("_"):
            raise _Unknown(label)


def _add(first: Any, second: Any) -> float:
    if type(first) in _PLAIN_NUMBERS and type(second) in _PLAIN_NUMBERS and isfinite(total := first + second):
        return total
    return _number(_number(first) + _number(second))


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError(value)
    return value


def _number(value: Any) -> float:
    """A finite number; in CBOR it may be a decimal fraction."""
    if type(value) is float or type(value) is int:
        number = float(value)
    elif isinstance(value, bool | str | bytes | None.__class__):
        raise ValueError(value)
    else:
        try:
            number = float(value)
        except TypeError:
            raise ValueError(value) from None
    if not isfinite(number):
        raise ValueError(value)
    return number


def _refuse(sentence: str) -> ValidationError:
    return refusal("not_senml", sentence)
