"""The air in a place: measured, computed for a dry box without readings, assumed elsewhere."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from django.db import transaction
from django.db.models import DateTimeField, OuterRef, Q, QuerySet, Subquery, prefetch_related_objects
from django.utils import timezone
from django.utils.translation import gettext as _

from background.prepared import Ids, Parameter, PreparedRows
from spools.air.csv_import import require_reading
from spools.air.dry_box_cache import airs_at
from spools.air.dry_box_facts import is_complete
from spools.air.dryer_air import dryer_chamber
from spools.air.hourly import BELIEVED_FOR, heated_rh_pct
from spools.air.hygrometer import computed_errors, dryer_errors, place_errors
from spools.air.salt_checks import load_hygrometers, off_rh_pct
from spools.air.storing import Values, store_readings
from spools.checks import require_choice
from spools.models import DesiccantCharge, DryingRun, Place, Reading
from spools.physics.air_errors import UNKNOWN_PLACE, AirErrors
from spools.physics.chamber import Chamber
from spools.physics_inputs import ConstantAir
from spools.refusals import refusal
from spools.statements import Statement

BELIEVED_HOURS = BELIEVED_FOR / timedelta(hours=1)


@dataclass(frozen=True)
class Climate:
    """Air at a place: °C, % RH, "reading", "computed", "assumed" or "dryer", and how that is known.

    chamber: of a dryer, in which this air is heated. errors: how far it may be off, in a dryer as heated.
    """

    temperature_c: float
    rh_pct: float
    origin: str
    source: Statement
    chamber: Chamber | None = None
    errors: AirErrors = UNKNOWN_PLACE

    def constant(self, hours: float = 0.0, *, moving: bool = False) -> ConstantAir:
        """This air for some hours."""
        return ConstantAir(hours, self.temperature_c, self.rh_pct, moving, errors=self.errors)

    def heated(self, celsius: float, hours: float = 0.0, spools: int = 1) -> ConstantAir:
        """This air of a dryer's room, heated in the dryer in which so many spools will dry, for some hours.

        Plans count on no dryer that is hotter than its set point.
        """
        chamber = None if self.chamber is None else self.chamber.shared_by(spools)
        dew_point_c = None if chamber is None else chamber.dew_point_c
        rh_pct = heated_rh_pct(self.temperature_c, self.rh_pct, celsius, dew_point_c)
        errors = self.errors._replace(is_no_hotter=True)
        return ConstantAir(hours, celsius, rh_pct, True, chamber, errors)


def climate_at(place: Place, at: datetime | None = None) -> Climate:
    """The air in a place at one time."""
    return _climates([place], at or timezone.now())[place.pk]


def climates_now(places: Iterable[Place], now: datetime | None = None) -> dict[int, Climate]:
    """The air in each place now, by place id. Up to two queries however many places, four with dryers.

    Some more where a dry box is computed.
    """
    return _climates(places, now or timezone.now())


def room_airs(dryers: Iterable[Place], at: datetime | None = None) -> dict[int, Climate]:
    """The air that each dryer takes in and heats, or around each printer, by its id. Up to three queries however many."""
    return _climates(dryers, at or timezone.now(), heated=False)


def _climates(places: Iterable[Place], at: datetime, heated: bool = True) -> dict[int, Climate]:
    by_id = {place.pk: place for place in places}
    dryers = [place for place in by_id.values() if place.kind == Place.Kind.DRYER]
    printers = [place for place in by_id.values() if place.kind == Place.Kind.PRINTER and place.room_id]
    prefetch_related_objects([*dryers, *printers], "room")
    rooms = {place.room_id for place in [*dryers, *printers] if place.room_id}
    last = _last_readings(rooms | by_id.keys(), at)
    set_points: dict[int, float] = {}
    if dryers and heated:
        runs = DryingRun.objects.filter(Q(end=None) | Q(end__gt=at), dryer__in=dryers, start__lte=at)
        set_points = {run.dryer_id: run.set_point_at(at) for run in runs}
    unread = [p for p in by_id.values() if is_complete(p) and p.pk not in last]
    by_desiccant = {
        pk: replace(describe_computed(*air), errors=computed_errors(by_id[pk]))
        for pk, air in airs_at(unread, at).items()
    }
    unheated = [place for pk, place in by_id.items() if pk not in by_desiccant]
    return by_desiccant | {p.pk: _climate(p, last, set_points.get(p.pk), at) for p in unheated}


class _LastReading(NamedTuple):
    """The last reading that counts in a place, as it counts. off_rh_pct: how far it was too high; None: not checked."""

    at: datetime
    temperature_c: float
    rh_pct: float
    origin: str
    off_rh_pct: float | None


def load_measured(places: Iterable[Place], at: datetime) -> dict[int, tuple[float, float | None]]:
    """(°C, % RH) of the last reading in each place that is believed at a time, by its id. Two queries.

    None: no humidity, while the hygrometer lies beside salt.
    """
    newest = Reading.objects.filter(place=OuterRef("pk"), at__lte=at, at__gt=at - BELIEVED_FOR).order_by(
        "-at"
    )
    ids = Place.objects.filter(pk__in=[place.pk for place in places]).values(
        newest=Subquery(newest.values("pk")[:1])
    )
    readings = list(Reading.objects.filter(pk__in=ids))
    hygrometers = load_hygrometers(reading.place_id for reading in readings)
    return {
        row.place_id: (row.temperature_c, hygrometers[row.place_id].corrected_rh_pct(row.at, row.rh_pct))
        for row in readings
    }


def _last_readings(place_ids: Iterable[int], at: datetime) -> dict[int, _LastReading]:
    """Those that are believed at a time, by place id. One query, one more where there are any."""
    recent = _RECENT.run(ids=place_ids, since=at - BELIEVED_FOR, at=at)
    hygrometers = load_hygrometers(reading.place_id for reading in recent)
    last: dict[int, _LastReading] = {}
    for reading in recent:
        hygrometer = hygrometers[reading.place_id]
        if (rh_pct := hygrometer.corrected_rh_pct(reading.at, reading.rh_pct)) is not None:
            check = hygrometer.check_at(reading.at)
            off_pct = None if check is None else off_rh_pct(check)
            last[reading.place_id] = _LastReading(
                reading.at, reading.temperature_c, rh_pct, reading.origin, off_pct
            )
    return last


def _select_recent() -> QuerySet[Reading]:
    since, at = Parameter("since", DateTimeField()), Parameter("at", DateTimeField())
    return Reading.objects.filter(place__in=Ids("ids"), at__gt=since, at__lte=at).order_by("at")


_RECENT = PreparedRows(_select_recent)


def describe_computed(temperature_c: float, rh_pct: float, charge: DesiccantCharge) -> Climate:
    """The air of a dry box in which nothing is read, with this desiccant in it, or none."""
    values = {
        "at": charge.at.isoformat(),
        "desiccant": charge.describe().as_data(),
        "believed_h": BELIEVED_HOURS,
    }
    code = "air.computed" if charge.dry_mass_g else "air.computed_without_desiccant"
    return Climate(temperature_c, rh_pct, "computed", Statement(code, values))


def _climate(place: Place, last: dict[int, _LastReading], set_point_c: float | None, at: datetime) -> Climate:
    room_climate = _measured_or_assumed(place, last.get(place.pk), at)
    around, room = room_climate, place.air_source
    if room_climate.origin == "assumed" and room is not place:
        around = _measured_or_assumed(room, last.get(room.pk), at)
        source = Statement("air.room", {"room": str(room), "source": around.source.as_data()})
        around = replace(around, source=source)
    if place.kind != Place.Kind.DRYER:
        return around
    around = replace(around, chamber=dryer_chamber(place), errors=dryer_errors(place, around.errors))
    if set_point_c is None:
        return around
    heated = {
        "temperature_c": around.temperature_c,
        "rh_pct": around.rh_pct,
        "source": around.source.as_data(),
    }
    rh_pct = around.heated(set_point_c).rh_pct
    source = Statement("air.dryer", {"set_point_c": set_point_c} | heated)
    return Climate(set_point_c, rh_pct, "dryer", source, errors=around.errors)


def _measured_or_assumed(place: Place, reading: _LastReading | None, at: datetime) -> Climate:
    if reading is None:
        assumed = Statement("air.assumed", {"believed_h": BELIEVED_HOURS})
        return Climate(
            place.assumed_temperature_c, place.assumed_rh_pct, "assumed", assumed, errors=place_errors(place)
        )
    read: dict[str, Any] = {"origin": reading.origin, "age_min": (at - reading.at) / timedelta(minutes=1)}
    if reading.off_rh_pct is not None:
        read["off_rh_pct"] = reading.off_rh_pct
    source, errors = Statement("air.reading", read), place_errors(place, reading.off_rh_pct is not None)
    return Climate(reading.temperature_c, reading.rh_pct, "reading", source, errors=errors)


@transaction.atomic
def record_readings(place: Place, rows: Iterable[tuple], *, origin: str, by: Any = None) -> tuple[int, int]:
    """Store readings of a place, as (aware time, °C, % RH). Returns (added, already there).

    A reading out of range or in the future refuses them all. A reading for a time that has one already, or in
    an hour of which the mean alone is stored, is ignored.
    So is one that was withdrawn and is sent again: any of that time from a sensor, the same values from a person,
    who may give other ones. A sensor's reading within a withdrawn span is stored as withdrawn.
    """
    rows = list(rows)
    require_choice("origin", origin, Reading.Origin.values)
    is_batch = len(rows) > 1
    readings: dict[datetime, Values] = {}
    for number, row in enumerate(rows, start=1):
        at, temperature_c, rh_pct = require_reading(
            row, _("Reading {number}, ").format(number=number) if is_batch else ""
        )
        readings.setdefault(at, (temperature_c, rh_pct))
    if not readings:
        raise refusal("no_readings", _("There are no readings in this. Give at least one."))
    times = store_readings({place: readings}, origin=origin, by=by)[place.pk]
    return len(times), len(rows) - len(times)
