"""Readings of temperature and humidity as a file, of all places."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from spools.air.climate import record_readings
from spools.air.csv_import import require_reading
from spools.air.reading_corrections import correct_reading
from spools.files.columns import EXACT, Use, by_own_name, choice, find_named, moment, number, text
from spools.files.kinds import Added, FileKind, Stored, Values, require_keys
from spools.models import Place, Reading


class Readings(FileKind):
    name = "readings"
    title = gettext_noop("Readings")
    about = gettext_noop(
        "Temperature and humidity of each place. A reading that a person entered is corrected by another one of its "
        "time; one of a sensor is withdrawn on the page of its place."
    )
    most_changes = 50_000
    keys_are_found = True
    renamed = {"at": "time"}
    columns = (
        text("place", gettext_noop("name of the place"), Use.KEY, 60),
        moment("time", gettext_noop("day and time, in the zone of the shop where it has none"), Use.KEY),
        number("temperature_c", gettext_noop("temperature, °C"), Use.NEEDED),
        number("rh_pct", gettext_noop("relative humidity, %"), Use.NEEDED),
        choice("origin", gettext_noop("where it came from"), Reading.Origin.choices, Use.WRITTEN),
    )

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.places: dict[str, Place] | None = None

    def rows(self) -> Iterator[Stored]:
        return self._describe(Reading.objects.order_by("place__name", "at"))

    def _describe(self, readings: Any) -> Iterator[Stored]:
        for reading in readings.select_related("place").iterator(2000):
            values = {
                "place": reading.place.name,
                "time": reading.at,
                "temperature_c": reading.temperature_c,
                "rh_pct": reading.rh_pct,
                "origin": reading.origin,
            }
            yield Stored(reading, values)

    def find_stored(self, lines: Iterable[Values]) -> Iterable[Stored]:
        times = [values["time"] for values in lines]
        within = (
            Reading.objects.filter(at__gte=min(times), at__lte=max(times))
            if times
            else Reading.objects.none()
        )
        return self._describe(within)

    def find_name(self, column: str, value: Any) -> Any:
        if self.places is None:
            self.places = by_own_name(Place.objects.all())
        return find_named(self.places, column, value, own_names=True).name if column == "place" else value

    def resolve(self, values: Values) -> Values:
        require_keys(self, values)
        reading = (values["time"], values.get("temperature_c"), values.get("rh_pct"))
        time, temperature_c, rh_pct = require_reading(reading)
        return values | {"time": time, "temperature_c": temperature_c, "rh_pct": rh_pct}

    def group_of(self, values: Values) -> str:
        return values["place"]

    def add_together(self, rows: Sequence[Values]) -> list[Added]:
        """Of one place, at once. A reading that was withdrawn before is not added again."""
        place = (self.places or {})[EXACT + rows[0]["place"]]
        readings = [(values["time"], values["temperature_c"], values["rh_pct"]) for values in rows]
        record_readings(place, readings, origin=Reading.Origin.FILE, by=self.by)
        times = {at for at, _c, _rh in readings}
        kept = Reading.objects.filter(place=place, at__gte=min(times), at__lte=max(times))
        added = set(kept.values_list("at", flat=True))
        note = _("It was withdrawn before, and stays so.")
        return [
            Added(is_new=at in added, note="" if at in added else note)
            for at in (row["time"] for row in rows)
        ]

    def change(self, stored: Stored, values: Values) -> None:
        right = stored.values | values
        correct_reading(stored.row, right["temperature_c"], right["rh_pct"], by=self.by)

    def label(self, values: Values) -> str:
        return f"{values['place']}, {values['time'].astimezone(UTC):%Y-%m-%d %H:%M}"
