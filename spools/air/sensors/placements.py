"""For which place a sensor speaks, and since when."""

from bisect import bisect_right
from collections.abc import Iterable
from datetime import datetime

from spools.models import Place, SensorPlacement


class Placements:
    """The valid placements of some sensors, in order."""

    def __init__(self, rows: Iterable[SensorPlacement]) -> None:
        self._starts: dict[int, list[datetime]] = {}
        self._places: dict[int, list[Place | None]] = {}
        for row in rows:
            self._starts.setdefault(row.sensor_id, []).append(row.start)
            self._places.setdefault(row.sensor_id, []).append(row.place)

    def find_throughout(self, sensor_id: int, first: datetime, last: datetime) -> Place | None:
        """The place for which a sensor speaks from a time to another; None where there is none, or several."""
        place = self.find(sensor_id, first)
        starts = self._starts.get(sensor_id, ())
        return None if any(first < start <= last for start in starts) else place

    def find(self, sensor_id: int, at: datetime) -> Place | None:
        """The place for which a sensor speaks at a time; None: it has none then."""
        starts = self._starts.get(sensor_id)
        if not starts or at < starts[0]:
            return None
        return self._places[sensor_id][bisect_right(starts, at) - 1]


def load_placements(sensor_ids: Iterable[int]) -> Placements:
    """One query; places are shared, so that one place is one object."""
    wanted = set(sensor_ids)
    rows = SensorPlacement.objects.valid().order_by("start")
    rows = rows.filter(sensor__in=list(wanted)) if len(wanted) < 500 else rows
    return Placements(row for row in rows.select_related("place") if row.sensor_id in wanted)
