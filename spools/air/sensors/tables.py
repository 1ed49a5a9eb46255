"""Values of several sensors from a CSV file: time, sensor, temperature_c, rh_pct, battery_pct."""

from collections.abc import Iterator
from contextlib import closing
from math import isfinite
from typing import Any

from django.utils.translation import gettext as _

from spools.air.csv_import import read_number, read_time
from spools.air.sensors.measurements import BATTERY, HUMIDITY, TEMPERATURE, Measurement
from spools.edits.tables import read_table
from spools.refusals import refusal

NEEDED = ("time", "sensor")
VALUES = {"temperature_c": TEMPERATURE, "rh_pct": HUMIDITY, "battery_pct": BATTERY}


def read_table_of_sensors(file: Any) -> list[Measurement]:
    """The values in an open file of bytes; an empty cell is none. Times as in a file of one place's readings.

    Refused, whole, with the line: what is no table, no time or no number.
    """
    with closing(read_table(file, NEEDED)) as table:
        measurements = [value for number, cells in table for value in _read_row(number, cells)]
    if not measurements:
        raise refusal("no_readings", _("The file has a header and no readings below it."))
    return measurements


def _read_row(number: int, cells: dict[str, str]) -> Iterator[Measurement]:
    for column, quantity in VALUES.items():
        if text := cells.get(column, ""):
            value = read_number(text, number)
            if not isfinite(value):
                sentence = _('Line {number}: "{text}" is not a number.')
                raise refusal("not_a_number", sentence.format(number=number, text=text[:40]))
            yield Measurement(cells["sensor"], quantity, value, read_time(cells["time"], number))
