"""HourlyReadings by the UTC hour, and how humidity changes with temperature."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from math import ceil

from django.db.models import Q
from django.utils import timezone

from spools.air.salt_checks import UNCHECKED, Hygrometer, Row, load_hygrometers
from spools.models import HourlyMean, Reading
from spools.physics import air
from spools.physics.air import ZERO_C

HOUR = timedelta(hours=1)
BELIEVED_FOR = timedelta(hours=6)
FOREVER = datetime.max.replace(tzinfo=UTC)
MOST_STARTS = 100
# Readings stay for so long at least, whatever the setting: pages show them one by one.
LEAST_KEPT = timedelta(days=30)


def hour_of(at: datetime) -> datetime:
    """The start of the UTC hour, the bucket in which readings are averaged."""
    return at.replace(minute=0, second=0, microsecond=0)


def vapour_pressure_pa(temperature_c: float, rh_pct: float) -> float:
    return rh_pct / 100 * float(air.saturation_pressure(temperature_c + ZERO_C))


@lru_cache(maxsize=16384)
def rh_at_pressure(vapour_pa: float, temperature_c: float) -> float:
    """% RH of air with this vapour pressure at another temperature, at most 100.

    All spools in a place ask for the same hours.
    """
    return min(100.0, 100 * vapour_pa / float(air.saturation_pressure(temperature_c + ZERO_C)))


@lru_cache(maxsize=4096)
def heated_rh_pct(
    temperature_c: float, rh_pct: float, set_point_c: float, dew_point_c: float | None = None
) -> float:
    """% RH of the air that comes into a dryer's chamber: room air, heated, keeps its vapour pressure.

    dew_point_c: of the air that a sealed dryer's desiccant gives back, instead of room air.
    """
    if dew_point_c is not None:
        temperature_c, rh_pct = dew_point_c, 100.0
    return 100 * float(air.heated_rh(temperature_c + ZERO_C, rh_pct / 100, set_point_c + ZERO_C))


@dataclass(frozen=True)
class HourlyReadings:
    """The hourly means of one place, in order: (°C, vapour pressure in Pa).

    checked_from: the first salt check of its hygrometer; None: never checked.
    """

    hours: list[datetime]
    means: list[tuple[float, float]]
    checked_from: datetime | None = None

    @classmethod
    def from_rows(cls, rows: Iterable[Row], hygrometer: Hygrometer = UNCHECKED) -> "HourlyReadings":
        """From readings as (time, °C, % RH), which the salt checks of a hygrometer correct."""
        sums: dict[datetime, list[float]] = {}
        for at, temperature_c, rh_pct in hygrometer.correct(rows):
            total = sums.setdefault(hour_of(at.astimezone(UTC)), [0, 0.0, 0.0])
            total[0] += 1
            total[1] += temperature_c
            total[2] += vapour_pressure_pa(temperature_c, rh_pct)
        hours = sorted(sums)
        means = [(sums[hour][1] / sums[hour][0], sums[hour][2] / sums[hour][0]) for hour in hours]
        return cls(hours, means, hygrometer.checks[0].at if hygrometer.checks else None)

    def add_means(self, means: Mapping[datetime, tuple[float, float]]) -> "HourlyReadings":
        """With the stored means of hours whose readings are gone."""
        by_hour = dict(zip(self.hours, self.means, strict=True)) | dict(means)
        hours = sorted(by_hour)
        return replace(self, hours=hours, means=[by_hour[hour] for hour in hours])

    def is_checked(self, at: datetime) -> bool:
        """Whether a salt check corrects the readings of a time."""
        return self.checked_from is not None and self.checked_from <= at

    def before(self, until: datetime) -> "HourlyReadings":
        """Those of the hours before a full hour."""
        n = bisect_left(self.hours, until)
        return replace(self, hours=self.hours[:n], means=self.means[:n])

    def at(self, moment: datetime) -> tuple[tuple[float, float] | None, datetime]:
        """(°C, vapour pressure in Pa) or None where no reading is believed, and until when that holds."""
        n = bisect_right(self.hours, moment) - 1
        following = self.hours[n + 1] if n + 1 < len(self.hours) else FOREVER
        if n >= 0:
            own_end = self.hours[n] + HOUR
            if moment < own_end:
                return self.means[n], own_end
            if moment < own_end + BELIEVED_FOR:
                return self.means[n], min(own_end + BELIEVED_FOR, following)
        return None, following


def group_by_start(starts: Mapping[int, datetime], until: datetime) -> dict[datetime, list[int]]:
    """Ids by their times, or by some earlier ones where there are more than MOST_STARTS different times.

    For the conditions of a query: SQLite takes no thousand of them. The earlier times are hours before
    ``until`` in powers of two; whoever reads the rows leaves out those before the time of an id.
    """
    if len(set(starts.values())) > MOST_STARTS:
        hours = {pk: max(1, ceil((until - start) / HOUR)) for pk, start in starts.items()}
        starts = {pk: until - HOUR * 2 ** (count - 1).bit_length() for pk, count in hours.items()}
    groups: dict[datetime, list[int]] = {}
    for pk, start in starts.items():
        groups.setdefault(start, []).append(pk)
    return groups


def load_readings(since: Mapping[int, datetime], until: datetime) -> dict[int, HourlyReadings]:
    """The readings that count in each place from its time in ``since`` (by place id) to ``until``.

    They are corrected by the salt checks of the places. One query, one more where there are any, and one for the
    hourly means of long ago. It comes last: an hour that is averaged meanwhile is in both, and the same.
    """
    starts = {place_id: hour_of(start) - BELIEVED_FOR - HOUR for place_id, start in since.items()}
    needed = Q(pk__in=[])
    for start, place_ids in group_by_start(starts, until).items():
        needed |= Q(place__in=place_ids, at__gte=start)
    rows: dict[int, list[Row]] = {place_id: [] for place_id in since}
    values = Reading.objects.filter(needed, at__lt=until).order_by("at")
    for place_id, at, temperature_c, rh_pct in values.values_list("place", "at", "temperature_c", "rh_pct"):
        if at >= starts[place_id]:
            rows[place_id].append((at, temperature_c, rh_pct))
    hygrometers = load_hygrometers(place_id for place_id, place_rows in rows.items() if place_rows)
    means = _load_means(starts, until)
    return {
        place_id: HourlyReadings.from_rows(place_rows, hygrometers.get(place_id, UNCHECKED)).add_means(
            means.get(place_id, {})
        )
        for place_id, place_rows in rows.items()
    }


def _load_means(
    starts: Mapping[int, datetime], until: datetime
) -> dict[int, dict[datetime, tuple[float, float]]]:
    """The stored means of each place from its hour on, by place id."""
    recent = timezone.now() - LEAST_KEPT
    starts = {place_id: start for place_id, start in starts.items() if start < recent}
    if not starts:
        return {}
    needed = Q(pk__in=[])
    for start, place_ids in group_by_start(starts, until).items():
        needed |= Q(place__in=place_ids, hour__gte=start)
    means: dict[int, dict[datetime, tuple[float, float]]] = {}
    stored = HourlyMean.objects.filter(needed, hour__lt=until).order_by()
    for place_id, hour, temperature_c, vapour_pa in stored.values_list(
        "place", "hour", "temperature_c", "vapour_pa"
    ):
        if hour >= starts[place_id]:
            means.setdefault(place_id, {})[hour] = (temperature_c, vapour_pa)
    return means
