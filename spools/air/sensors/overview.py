"""The sensors of the shop as people see them: where each speaks, how it is doing, and how far off it reads.

A salt check is a fact about the hygrometer of a place. It was made with the sensor that spoke for the place then, so how
far off it reads goes with that sensor; the readings of a place are corrected by the checks of the place. A sensor that
was moved is therefore checked again where it is now.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from django.db.models import Count

from spools.air.hourly import BELIEVED_FOR
from spools.air.salt_checks import describe_check
from spools.models import HeldValue, Place, SaltCheck, Sensor, SensorPlacement
from spools.statements import Statement


@dataclass(frozen=True)
class SensorRow:
    """A sensor now. placement: None where it never had one. own_check: the last salt check made with it, anywhere.

    place_check: the one by which the readings of its place are corrected. held: values that are no readings, by reason.
    """

    sensor: Sensor
    placement: SensorPlacement | None
    own_check: SaltCheck | None
    place_check: SaltCheck | None
    is_silent: bool
    held: Mapping[str, int] = field(default_factory=Counter)

    @property
    def place(self) -> Place | None:
        return self.placement.place if self.placement else None

    @property
    def offset(self) -> Statement | None:
        """How far off it reads by its own last salt check."""
        return describe_check(self.own_check) if self.own_check else None

    @property
    def is_checked_elsewhere(self) -> bool:
        """Its own check is one of another place: it was moved since, and corrects nothing here."""
        return (
            self.own_check is not None and self.place is not None and self.own_check.place_id != self.place.pk
        )

    @property
    def is_corrected_by_another(self) -> bool:
        """The readings of its place are corrected by the check of a sensor that was there before."""
        return self.place_check is not None and self.place_check != self.own_check

    @property
    def held_count(self) -> int:
        return sum(self.held.values())

    @property
    def needs_a_look(self) -> bool:
        return self.is_silent or self.place is None or self.held_count > 0 or self.is_corrected_by_another


def load_sensors(now: datetime, sensors: Iterable[Sensor] | None = None) -> list[SensorRow]:
    """Those sensors, or all; first those that need a look. Five queries."""
    chosen = list(Sensor.objects.all() if sensors is None else sensors)
    placements = _placements()
    checks = list(SaltCheck.objects.valid().filter(at__lte=now).select_related("place").order_by("at", "id"))
    place_checks = {check.place_id: check for check in checks}
    own_checks = _own_checks(checks, placements)
    held: dict[int, Counter[str]] = {}
    counted = HeldValue.objects.filter(left_out_at=None).order_by().values_list("sensor", "reason")
    for sensor_id, reason, count in counted.annotate(count=Count("pk")):
        held.setdefault(sensor_id, Counter())[reason] = count
    rows = []
    for sensor in chosen:
        placement = placement_at(placements.get(sensor.pk, ()), now)
        place = placement.place if placement else None
        rows.append(
            SensorRow(
                sensor,
                placement,
                own_checks.get(sensor.pk),
                place_checks.get(place.pk) if place else None,
                is_silent(sensor, now),
                held.get(sensor.pk, Counter()),
            )
        )
    return sorted(rows, key=lambda row: (not row.needs_a_look, row.sensor.name))


def is_silent(sensor: Sensor, now: datetime) -> bool:
    """Its broker reported that it is gone, or its last value is too old to be believed."""
    return sensor.silent_since is not None or (
        sensor.seen_at is not None and now - sensor.seen_at > BELIEVED_FOR
    )


def placement_at(placements: Sequence[SensorPlacement], at: datetime) -> SensorPlacement | None:
    """The placement of a sensor at a time, of its placements in order."""
    return next((placement for placement in reversed(placements) if placement.start <= at), None)


def _placements() -> dict[int, list[SensorPlacement]]:
    """The valid placements of each sensor, in order."""
    found: dict[int, list[SensorPlacement]] = {}
    for placement in SensorPlacement.objects.valid().select_related("place").order_by("start", "id"):
        found.setdefault(placement.sensor_id, []).append(placement)
    return found


def _own_checks(
    checks: Iterable[SaltCheck], placements: Mapping[int, Sequence[SensorPlacement]]
) -> dict[int, SaltCheck]:
    """The last check of each sensor: one of a place for which it spoke then. checks: in order."""
    found = {}
    visited: dict[int, set[int]] = {}
    for sensor_id, its in placements.items():
        for placement in its:
            if placement.place_id is not None:
                visited.setdefault(placement.place_id, set()).add(sensor_id)
    for check in checks:
        for sensor_id in visited.get(check.place_id, ()):
            then = placement_at(placements[sensor_id], check.at)
            if then is not None and then.place_id == check.place_id:
                found[sensor_id] = check
    return found
