"""Sensor Measurement Lists (SenML, RFC 8428) in JSON and CBOR, read into measurements."""

import re
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from decimal import Decimal
from fractions import Fraction
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
UNITS = {"Cel": TEMPERATURE, "K": TEMPERATURE, "%RH": HUMIDITY, "%EL": BATTERY}
# The last part of a name that tells what a device measures, not which device it is.
QUANTITY_PART = re.compile(
    r"(?<=.)[:._/\-](?:t|temp|temperature|h|hum|humidity|rh|bat|batt|battery)$", re.ASCII | re.IGNORECASE
)


class Record(msgspec.Struct):
    """A record of a pack. Fields that are not listed are passed over (section 4.4)."""

    bver: int | None = None
    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    n: str = ""
    u: str | None = None
    v: float | None = None
    t: float = 0.0
    vs: str | None = None
    vb: bool | None = None
    vd: str | None = None


def read_senml(content: bytes, now: datetime) -> list[Measurement]:
    """The measurements of a pack; those of other quantities are passed over. now: when it came.

    The sensor is the resolved name, without a last part that names a quantity ("shelf:temp" is of "shelf").
    Refused, whole: what is no SenML of this version, a field that must be understood, more than MOST_RECORDS records.
    """
    is_json = content.lstrip()[:1] == b"["
    records = _decode_json(content) if is_json else _decode_cbor(content)
    if not records:
        raise _refuse(_("Send a SenML pack: an array of at least one record."))
    if len(records) > MOST_RECORDS:
        raise refusal("many_records", _("Send at most {most} records at once.").format(most=MOST_RECORDS))
    return list(_resolve(records, now))


def _decode_json(content: bytes) -> list[Record]:
    try:
        if b'_"' in content:
            # Perhaps a field that must be understood: a value may end so, too.
            _require_understood(msgspec.json.decode(content, type=list[dict[str, Any]]))
        return _JSON.decode(content)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise _refuse(_("This is no SenML in JSON ({error}).").format(error=str(error)[:100])) from None


def _decode_cbor(content: bytes) -> list[Record]:
    stream = BytesIO(content)
    try:
        records = cbor2.CBORDecoder(stream).decode()
        if stream.read(1):
            raise _refuse(_("There is something behind the pack."))
        named = [_name_labels(record) for record in records]
        _require_understood(named)
        return msgspec.convert(named, list[Record])
    except ValidationError:
        raise
    # The library raises whatever its parts raise for what is no CBOR.
    except Exception as error:
        raise _refuse(_("This is no SenML in CBOR ({error}).").format(error=str(error)[:100])) from None


def _name_labels(record: dict[Any, Any]) -> dict[str, Any]:
    """Fields by their names; decimal fractions and the like as floats."""
    return {
        str(LABELS.get(label, label)): float(value) if isinstance(value, Decimal | Fraction) else value
        for label, value in record.items()
    }


def _require_understood(records: Iterable[dict[str, Any]]) -> None:
    """Section 4.4: whoever does not know a field that ends in "_" must refuse the pack."""
    for number, record in enumerate(records, start=1):
        for label in record:
            if label.endswith("_"):
                raise _refuse_field(number, label)


def _resolve(records: list[Record], now: datetime) -> Iterator[Measurement]:
    """The records with the base fields before them put in (section 4.6)."""
    version, base_name, base_time, base_unit, base_value = VERSION, "", 0.0, "", None
    sensors: dict[str, str] = {}
    # Most values share their time with another one.
    times: dict[float, datetime] = {}
    received_s = now.replace(microsecond=0).timestamp()
    for number, record in enumerate(records, start=1):
        version = version if record.bver is None else record.bver
        base_name = base_name if record.bn is None else record.bn
        base_time = base_time if record.bt is None else record.bt
        base_unit = base_unit if record.bu is None else record.bu
        base_value = base_value if record.bv is None else record.bv
        if version != VERSION:
            raise _refuse_field(number, "bver")
        value = record.v
        if value is None:
            if base_value is None or (record.vs, record.vb, record.vd) != (None, None, None):
                continue
            value = 0.0
        name = base_name + record.n
        sensor = sensors.get(name)
        if sensor is None:
            if not NAME.fullmatch(name):
                raise _refuse_record(number)
            sensor = sensors[name] = QUANTITY_PART.sub("", name)
        unit = base_unit if record.u is None else record.u
        quantity = UNITS.get(unit)
        if quantity is None:
            continue
        seconds = base_time + record.t
        if seconds < LEAST_ABSOLUTE_S:
            seconds += received_s
        if base_value is not None:
            value += base_value
        if unit == "K":
            value = round(value - ZERO_C, 6)
        at = times.get(seconds)
        if at is None:
            try:
                at = times[seconds] = datetime.fromtimestamp(seconds, UTC)
            except (ValueError, OverflowError, OSError):
                raise _refuse_record(number) from None
        if not isfinite(value):
            raise _refuse_record(number)
        yield Measurement(sensor, quantity, value, at)


_JSON = msgspec.json.Decoder(list[Record])


def _refuse_field(number: int, label: str) -> ValidationError:
    sentence = _("Record {number} has the field {label}, which is not understood here.")
    return refusal("not_understood", sentence.format(number=number, label=label[:40]))


def _refuse_record(number: int) -> ValidationError:
    sentence = _("Record {number} has a name, a time or a value that cannot be read.")
    return _refuse(sentence.format(number=number))


def _refuse(sentence: str) -> ValidationError:
    return refusal("not_senml", sentence)
