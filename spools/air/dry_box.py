"""Dry boxes: what a box's air is and will be, what its desiccant holds, and whether a hygrometer agrees."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from spools import limits
from spools.air.dry_box_simulation import OPENINGS_OVER, Course, complete, courses
from spools.air.hourly import BELIEVED_FOR, HOUR, Readings, hour_of, rh_at_pressure, vapour_pressure_pa
from spools.checks import lock_spool_facts, require_past_time, require_within
from spools.facts import follows_withdrawal
from spools.invalidation import invalidate_boxes_after
from spools.models import DesiccantCharge, Place, Reading
from spools.physics import drybox
from spools.physics.air import ZERO_C, vapour_density
from spools.physics.desiccant import mass_for
from spools.physics.drybox import DAY_S, Box, Room, Sorbers, State
from spools.wording import format_time

Kind = DesiccantCharge.Kind
SHOWN = timedelta(days=7)
# A button pressed twice: nobody changes the desiccant so soon.
SAME_CHARGE = timedelta(minutes=1)
# How far leak and desiccant may be off, each way, for the band of days. Lots of silica gel differ by 10 %
# (SERI/TR-252-2802); the leak's factor: common practice, no source.
LEAK_FACTOR, DESICCANT_SHARE = 1.5, 0.1
# Hygrometer and model disagree when they are further apart than this and a share of what is computed, in all
# of so many measured hours of the last day. A cheap hygrometer is off by up to 5 % RH and tells little below
# 10 %: common practice, no source.
HYGROMETER_RH_PCT, LEAST_TOLD_RH_PCT, MODEL_SHARE = 5.0, 10.0, 0.25
MEASURED_HOURS, OVER = 6, timedelta(hours=24)
NEAR_LIMIT = 0.8
YEAR_S = 365 * DAY_S


class Advice(NamedTuple):
    """How a kind of desiccant is regenerated."""

    celsius: float
    hours: float
    text: str


# Hours and temperatures are suppliers' notes (fixtures/reference/thermal_values.csv).
ADVICE = {
    Kind.SILICA_GEL: Advice(
        120,
        3,
        "At 110 to 120 °C for about 3 h, spread thin. Gel with an orange or blue indicator is never heated "
        "above 120 °C.",
    ),
    Kind.MOLECULAR_SIEVE: Advice(
        250,
        3,
        "At 250 °C and above, which neither a filament dryer nor a household oven does: at 120 °C it keeps "
        "10 % of water. Take fresh sieve, or silica gel.",
    ),
    Kind.ALUMINA: Advice(
        200, 3, "At 200 to 350 °C, hotter than a filament dryer gets. The hours: no source."
    ),
    Kind.CLAY: Advice(120, 3, "At about 120 °C (from memory); the bag must stand it. The hours: no source."),
}


@transaction.atomic
def put_desiccant(
    place: Place,
    kind: str,
    dry_mass_g: float,
    *,
    condition: str,
    regenerated_c: float | None = None,
    at: datetime | None = None,
    note: str = "",
    by: Any = None,
) -> DesiccantCharge:
    """Desiccant goes into a dry box, in place of what was there; 0 g: it was taken out.

    Refused: another kind of place, unknown kinds, impossible numbers, a second charge at the same time, the
    same charge again within a minute.
    """
    if place.kind != Place.Kind.DRY_BOX:
        raise ValidationError(
            f"{place} is a {place.get_kind_display()}. Desiccant is recorded for dry boxes."
        )
    if kind not in Kind.values:
        raise ValidationError({"kind": f"Give one of {', '.join(Kind.values)}."})
    if condition not in DesiccantCharge.Condition.values:
        raise ValidationError({"condition": f"Give one of {', '.join(DesiccantCharge.Condition.values)}."})
    at = require_past_time(at)
    dry_mass_g = require_within("dry_mass_g", dry_mass_g, *limits.DESICCANT_G)
    if condition == DesiccantCharge.Condition.REGENERATED:
        if regenerated_c is None:
            raise ValidationError({"regenerated_c": "Give the temperature at which it was regenerated."})
        regenerated_c = require_within("regenerated_c", regenerated_c, *limits.REGENERATION_C)
    elif regenerated_c is not None:
        raise ValidationError({"regenerated_c": "Leave it empty, or say that it was regenerated."})
    lock_spool_facts()
    place = Place.objects.select_for_update(no_key=True, of=("self",)).select_related("room").get(pk=place.pk)
    standing = place.charges.valid()
    again = {"kind": kind, "dry_mass_g": dry_mass_g, "condition": condition, "regenerated_c": regenerated_c}
    if standing.filter(at__gt=at - SAME_CHARGE, at__lt=at + SAME_CHARGE, **again).exists():
        raise ValidationError(
            {"at": "This charge is recorded already. If it was really put in twice, give another time."}
        )
    if standing.filter(at=at).exists():
        raise ValidationError(
            {"at": f"A charge of {format_time(at)} is recorded already. Give another time."}
        )
    charge = DesiccantCharge.objects.create(
        place=place,
        kind=kind,
        dry_mass_g=dry_mass_g,
        condition=condition,
        regenerated_c=regenerated_c,
        at=at,
        note=note,
        recorded_by=by,
    )
    invalidate_boxes_after([place.pk], at)
    return charge


@follows_withdrawal(DesiccantCharge)
def compute_without_charge(charge: DesiccantCharge) -> None:
    """The box is computed as if the charge had not been put in."""
    invalidate_boxes_after([charge.place_id], charge.at)


class Days(NamedTuple):
    """Days until a box is over its limit: soonest, likely, latest; None: not within two years."""

    soonest: float | None
    likely: float | None
    latest: float | None


class Regenerated(NamedTuple):
    """What regenerating at a temperature would do."""

    celsius: float
    left_pct: float
    days: float | None


@dataclass(frozen=True)
class Finding:
    """A hygrometer and the model disagree. kind: "leak", "spent" or "drier"; measured and computed, % RH."""

    kind: str
    measured_rh_pct: float
    computed_rh_pct: float
    sentence: str


@dataclass(frozen=True)
class BoxNow:
    """A dry box at a time. measured_rh_pct: None without a reading in the last 6 h.

    waiting: a charge that was put in since and counts from the next full hour on. held_g: water in the
    desiccant, and limit_g at the limit; half_time_d: the hygrometric half-time with its desiccant.
    """

    place: Place
    at: datetime
    course: Course
    charge: DesiccantCharge
    waiting: DesiccantCharge | None
    temperature_c: float
    room_rh_pct: float
    computed_rh_pct: float
    measured_rh_pct: float | None
    held_g: float
    limit_g: float
    openings_day: float
    half_time_d: float
    findings: list[Finding]
    outlook: "_Outlook"

    @property
    def off(self) -> float:
        """How far what was measured is above what is computed, in units of what is allowed; 0 unmeasured."""
        return 0.0 if self.measured_rh_pct is None else _off(self.measured_rh_pct, self.computed_rh_pct)

    @cached_property
    def days_likely(self) -> float | None:
        """Days until it is over its limit; None: not within two years."""
        return self.outlook.days()

    @cached_property
    def days(self) -> Days:
        soonest = self.outlook.days(LEAK_FACTOR, 1 - DESICCANT_SHARE)
        return Days(soonest, self.days_likely, self.outlook.days(1 / LEAK_FACTOR, 1 + DESICCANT_SHARE))

    @cached_property
    def regenerated(self) -> list[Regenerated]:
        return self.outlook.regenerated()

    @property
    def needed_g(self) -> float | None:
        """Dry desiccant for a year; None where no amount would do."""
        return self.outlook.needed_g()

    @property
    def rh_pct(self) -> float:
        """Measured, or else computed."""
        return self.computed_rh_pct if self.measured_rh_pct is None else self.measured_rh_pct

    @property
    def over_limit(self) -> bool:
        return self.rh_pct > self.place.limit_rh_pct

    @property
    def air_changes_day(self) -> float:
        assert self.place.half_time_h is not None
        return DAY_S * drybox.air_changes_s(3600 * self.place.half_time_h)


def missing(place: Place) -> list[str]:
    """What is not known of a dry box that its air would be computed with, in words."""
    wanted = [
        (place.volume_l, "its volume"),
        (place.half_time_h, "its half-time or air changes"),
        (place.room_id, "the room that it stands in"),
    ]
    return [words for value, words in wanted if value is None]


def box_now(place: Place, at: datetime | None = None) -> BoxNow | None:
    """A dry box at a time; None where its air cannot be computed, see missing(), or it has no desiccant."""
    return boxes_now([place], at).get(place.pk)


def boxes_now(
    places: Iterable[Place], at: datetime | None = None, shown: timedelta | None = SHOWN
) -> dict[int, BoxNow]:
    """Those with desiccant whose air can be computed, by place id, with their air since ``shown`` before.

    shown: None where only what is found is wanted: without what was measured that needs no past.
    Fifteen queries however many, and ten more where only some are measured.
    """
    at = at or timezone.now()
    boxes = [place for place in places if complete(place)]
    if not boxes:
        return {}
    measured: dict[int, list[tuple[datetime, float, float]]] = {place.pk: [] for place in boxes}
    readings = Reading.objects.filter(place__in=boxes, at__gt=at - OVER, at__lte=at).order_by("at")
    for reading in readings:
        measured[reading.place_id].append((reading.at, reading.temperature_c, reading.rh_pct))
    if shown is None:
        compared = [place for place in boxes if measured[place.pk]]
        found = courses(compared, at - OVER, at) if compared else {}
        if others := [place for place in boxes if not measured[place.pk]]:
            found |= courses(others, at, at)
    else:
        found = courses(boxes, at - shown, at)
    hottest_c = Place.objects.filter(kind=Place.Kind.DRYER).aggregate(c=Max("max_set_point_c"))["c"]
    now = {pk: _box_now(course, at, measured[pk], hottest_c) for pk, course in found.items()}
    return {pk: box for pk, box in now.items() if box is not None}


def _box_now(
    course: Course, at: datetime, measured: list[tuple[datetime, float, float]], hottest_c: float | None
) -> BoxNow | None:
    reached, hour = course.last, hour_of(at.astimezone(UTC))
    if reached is None or hour not in course.hours or not reached.period.charge.dry_mass_g:
        return None
    place, charge = course.facts.place, reached.period.charge
    put_in = [one for one in course.facts.charges if one.at <= at]
    waiting = put_in[-1] if put_in and put_in[-1].at > charge.at else None
    temperature_c, computed_rh_pct = course.hours[hour]
    _, room_rh_pct = course.room_hours[hour]
    read = measured[-1][2] if measured and measured[-1][0] > at - BELIEVED_FOR else None
    box, kelvin = course.facts.box(charge), temperature_c + ZERO_C
    rh = (computed_rh_pct if read is None else read) / 100
    inside = course.facts.inside(reached.hour, charge)
    sorbers, contents = course.facts.together(inside), reached.held
    # A hygrometer overrides the model: then the desiccant is taken to be in balance with what it says.
    state = State(reached.water_kg if read is None else box.water(rh, kelvin), contents)
    span = min(OPENINGS_OVER, max(HOUR, at - charge.at))
    openings_day = course.facts.openings(at - span, at) / (span / timedelta(days=1))
    room = Room(DAY_S, kelvin, room_rh_pct / 100)
    return BoxNow(
        place=place,
        at=at,
        course=course,
        charge=charge,
        waiting=waiting,
        temperature_c=temperature_c,
        room_rh_pct=room_rh_pct,
        computed_rh_pct=computed_rh_pct,
        measured_rh_pct=read,
        held_g=1000 * box.desiccant_water(rh, kelvin),
        limit_g=1000 * box.desiccant_water(place.limit_rh_pct / 100, kelvin),
        openings_day=openings_day,
        half_time_d=box.buffered_half_time_s(max(0.01, rh), kelvin) / DAY_S,
        # What was measured before a charge says nothing of it.
        findings=[]
        if waiting
        else _findings(
            place, course, [row for row in measured if row[0] >= reached.period.first], room_rh_pct
        ),
        outlook=_Outlook(place, Kind(charge.kind), box, sorbers, state, room, openings_day, hottest_c),
    )


def _temperatures(kind: Kind, hottest_c: float | None) -> list[float]:
    """What is looked at: regenerating as advised, and in the shop's hottest dryer where that is cooler."""
    advised = ADVICE[kind].celsius
    return [advised] if hottest_c is None or hottest_c >= advised else [advised, hottest_c]


@dataclass(frozen=True)
class _Outlook:
    """What becomes of a box if the room stays as it is: worked out for those who ask, for it takes long."""

    place: Place
    kind: Kind
    box: Box
    sorbers: Sorbers
    state: State
    room: Room
    openings_day: float
    hottest_c: float | None

    @property
    def limit(self) -> float:
        return self.place.limit_rh_pct / 100

    def days(self, leak: float = 1.0, share: float = 1.0) -> float | None:
        """Until the limit, with so many times the leak and the desiccant; None: not within two years."""
        return self._until(self.state, leak, share)

    def regenerated(self) -> list[Regenerated]:
        """What regenerating as advised would do, and in the shop's hottest dryer."""
        return [self._regenerated(celsius) for celsius in _temperatures(self.kind, self.hottest_c)]

    def _regenerated(self, celsius: float) -> Regenerated:
        left, kelvin = self._left(celsius), self.room.temperature_k
        in_air = self.box.volume_m3 * float(vapour_density(kelvin, self.room.rh))
        state = State(self.box.dry_kg * left + in_air, self.state.contents)
        return Regenerated(celsius, 100 * left, self._until(state, 1.0, 1.0))

    def needed_g(self) -> float | None:
        """Dry desiccant, regenerated as advised, that takes up what a year brings in until the limit."""
        kelvin = self.room.temperature_k
        changes = YEAR_S * self.box.air_changes_s + 365 * drybox.OPENING_SHARE * self.openings_day
        # On the way to the limit the box is at half of it on average.
        difference = max(0.0, self.room.rh - self.limit / 2)
        water_kg = changes * self.box.volume_m3 * float(vapour_density(kelvin, difference))
        at_limit = float(self.box.desiccant.loading(self.limit, kelvin))
        needed_kg = mass_for(water_kg, self._left(ADVICE[self.kind].celsius), at_limit)
        return 1000 * needed_kg if needed_kg < np.inf else None

    def _left(self, celsius: float) -> float:
        """What regenerating in this room's air leaves, kg/kg."""
        vapour_pa = vapour_pressure_pa(self.room.temperature_k - ZERO_C, 100 * self.room.rh)
        return self.box.desiccant.residual(celsius + ZERO_C, vapour_pa)

    def _until(self, state: State, leak: float, share: float) -> float | None:
        box = replace(self.box, air_changes_s=leak * self.box.air_changes_s, dry_kg=share * self.box.dry_kg)
        # Less desiccant holds its share of the water: the humidity now is the same.
        rh = self.box.rh(state.water_kg, self.room.temperature_k)
        start = State(box.water(rh, self.room.temperature_k), state.contents)
        return drybox.days_until(box, self.sorbers, start, self.room, self.limit, self.openings_day)


def _findings(
    place: Place, course: Course, measured: list[tuple[datetime, float, float]], room_rh_pct: float
) -> list[Finding]:
    """Whether the last measured hours are all on one side of the model, and what that points to."""
    readings = Readings(measured)
    pairs = [
        (rh_at_pressure(pressure_pa, temperature_c), course.hours[hour][1])
        for hour, (temperature_c, pressure_pa) in zip(readings.hours, readings.means, strict=True)
        if hour in course.hours
    ][-MEASURED_HOURS:]
    if len(pairs) < MEASURED_HOURS:
        return []
    off = [_off(measured_pct, computed_pct) for measured_pct, computed_pct in pairs]
    rh_pct, computed_pct = pairs[-1]
    said = f"Measured {rh_pct:.0f} % RH, computed {computed_pct:.0f} %"
    if min(off) > 1:
        if rh_pct > room_rh_pct - HYGROMETER_RH_PCT or computed_pct > NEAR_LIMIT * place.limit_rh_pct:
            sentence = f"{said}, in a room of {room_rh_pct:.0f} %: likely spent desiccant. Regenerate it."
            return [Finding("spent", rh_pct, computed_pct, sentence)]
        sentence = (
            f"{said}, and the desiccant should have much left: likely a leak. Look at lid, gasket and tube "
            "holes, and measure the half-time again with the box empty."
        )
        return [Finding("leak", rh_pct, computed_pct, sentence)]
    if max(off) < -1:
        sentence = (
            f"{said}: the box is tighter than recorded, or the hygrometer reads low. Try it over salt: a "
            "saturated solution of table salt keeps 75 % RH."
        )
        return [Finding("drier", rh_pct, computed_pct, sentence)]
    return []


def _off(measured_pct: float, computed_pct: float) -> float:
    """How far apart they are, in units of what is allowed."""
    expected_pct = max(computed_pct, LEAST_TOLD_RH_PCT)
    return (measured_pct - expected_pct) / (HYGROMETER_RH_PCT + MODEL_SHARE * expected_pct)


def most_measured_pct(computed_pct: float) -> float:
    """The highest reading that agrees with what is computed, % RH."""
    return HYGROMETER_RH_PCT + (1 + MODEL_SHARE) * max(computed_pct, LEAST_TOLD_RH_PCT)
