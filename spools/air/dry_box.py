"""Dry boxes: charges of desiccant, and a box now with its air, its desiccant and its hygrometer."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any

from django.db import transaction
from django.db.models import Max
from django.utils import timezone
from django.utils.translation import gettext as _

from spools import limits
from spools.air.dry_box_cache import OPENINGS_OVER, SimulatedAir, simulate_airs
from spools.air.dry_box_facts import build_box, is_complete
from spools.air.dry_box_outlook import (
    DESICCANT_SHARE,
    LEAK_FACTOR,
    BoxOutlook,
    DaysLeft,
    RegenerationEffect,
)
from spools.air.hourly import BELIEVED_FOR, HOUR, hour_of
from spools.air.hygrometer import COMPARED_OVER, find_disagreement
from spools.air.salt_checks import UNCHECKED, Hygrometer, Row, load_hygrometers
from spools.checks import lock_spool_facts, require_choice, require_past_time, require_within
from spools.facts import follows_withdrawal
from spools.invalidation import invalidate_boxes_after
from spools.models import DesiccantCharge, Place, Reading
from spools.physics import drybox
from spools.physics.air import ZERO_C
from spools.physics.drybox import DAY_S, DryBoxContents, Room
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_time

Kind = DesiccantCharge.Kind
SHOWN = timedelta(days=7)


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
    """Record that desiccant was put into a dry box, replacing the former charge; 0 g: it was taken out.

    Refused: another kind of place, unknown kinds, impossible numbers, a second charge at the same time.
    """
    if place.kind != Place.Kind.DRY_BOX:
        sentence = _("{place} is no dry box. Desiccant is recorded for dry boxes.").format(place=place)
        raise refusal("not_a_dry_box", sentence)
    require_choice("kind", kind, Kind.values)
    require_choice("condition", condition, DesiccantCharge.Condition.values)
    at = require_past_time(at)
    dry_mass_g = require_within("dry_mass_g", dry_mass_g, *limits.DESICCANT_G)
    if condition == DesiccantCharge.Condition.REGENERATED:
        if regenerated_c is None:
            raise refusal(
                "temperature_missing", _("Give the temperature at which it was regenerated."), "regenerated_c"
            )
        regenerated_c = require_within("regenerated_c", regenerated_c, *limits.REGENERATION_C)
    elif regenerated_c is not None:
        raise refusal(
            "not_regenerated", _("Leave it empty, or choose that it was regenerated."), "regenerated_c"
        )
    lock_spool_facts()
    place = Place.objects.select_for_update(no_key=True, of=("self",)).select_related("room").get(pk=place.pk)
    if place.charges.valid().filter(at=at).exists():
        sentence = _("A charge of {time} is recorded already. Give another time.").format(
            time=format_time(at)
        )
        raise refusal("recorded_already", sentence, "at")
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


@dataclass(frozen=True)
class BoxNow:
    """A dry box at a time. measured_rh_pct: None without a reading in the last 6 h; is_checked: as a salt check corrects it.

    waiting: a charge that was put in since and counts from the next full hour on. held_g: water in the
    desiccant, and limit_g at the limit; half_time_d: the hygrometric half-time with its desiccant.
    """

    place: Place
    at: datetime
    simulated: SimulatedAir
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
    is_checked: bool
    findings: list[Statement]
    outlook: BoxOutlook

    @cached_property
    def days_likely(self) -> float | None:
        """Days until it is over its limit; None: not within two years."""
        return self.outlook.days()

    @cached_property
    def days(self) -> DaysLeft:
        soonest = self.outlook.days(LEAK_FACTOR, 1 - DESICCANT_SHARE)
        return DaysLeft(soonest, self.days_likely, self.outlook.days(1 / LEAK_FACTOR, 1 + DESICCANT_SHARE))

    @cached_property
    def regenerated(self) -> list[RegenerationEffect]:
        return self.outlook.regenerated()

    def forecast_rh_pct(self, days: int) -> list[float]:
        """Its humidity after each of so many days, % RH, if its room stays as it is."""
        outlook, box = self.outlook, build_box(self.place, self.charge, self.openings_day)
        return (
            100 * drybox.forecast_rh(box, outlook.sorbers, outlook.state, outlook.room, [DAY_S] * days)
        ).tolist()

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


def list_missing(place: Place) -> list[str]:
    """The fields that a dry box lacks for its air to be computed."""
    return [name for name in ("volume_l", "half_time_h", "room") if getattr(place, name) is None]


def explain_missing(place: Place) -> Statement:
    """The data that a dry box lacks for its air to be computed: fields, or else a charge of desiccant."""
    return Statement("dry_box.not_computed", {"missing": list_missing(place) or ["charge"]})


def box_now(place: Place, at: datetime | None = None) -> BoxNow | None:
    """A dry box at a time; None where its air cannot be computed, see list_missing(), or it has no desiccant."""
    return boxes_now([place], at).get(place.pk)


def boxes_now(
    places: Iterable[Place], at: datetime | None = None, past: timedelta = SHOWN
) -> dict[int, BoxNow]:
    """The boxes with desiccant whose air can be computed, by place id, with their past air.

    Up to fourteen queries however many boxes.
    """
    at = at or timezone.now()
    boxes = [place for place in places if is_complete(place)]
    if not boxes:
        return {}
    measured: dict[int, list[Row]] = {place.pk: [] for place in boxes}
    readings = Reading.objects.filter(place__in=boxes, at__gt=at - COMPARED_OVER, at__lte=at).order_by("at")
    for reading in readings:
        measured[reading.place_id].append((reading.at, reading.temperature_c, reading.rh_pct))
    airs = simulate_airs(boxes, at - past, at)
    hottest_c = Place.objects.filter(kind=Place.Kind.DRYER).aggregate(c=Max("max_set_point_c"))["c"]
    hygrometers = load_hygrometers(pk for pk, rows in measured.items() if rows)
    now = {
        pk: _box_now(air, at, hygrometers.get(pk, UNCHECKED), measured[pk], hottest_c)
        for pk, air in airs.items()
    }
    return {pk: box for pk, box in now.items() if box is not None}


def _box_now(
    simulated: SimulatedAir,
    at: datetime,
    hygrometer: Hygrometer,
    measured: list[Row],
    hottest_c: float | None,
) -> BoxNow | None:
    measured = hygrometer.correct(measured)
    facts, last, hour = simulated.facts, simulated.last, hour_of(at.astimezone(UTC))
    if last is None or hour not in simulated.hours or not last.period.charge.dry_mass_g:
        return None
    place, charge = facts.place, last.period.charge
    put_in = [charge for charge in facts.charges if charge.at <= at]
    waiting = put_in[-1] if put_in and put_in[-1].at > charge.at else None
    temperature_c, computed_rh_pct, room_rh_pct = simulated.hours[hour]
    read = measured[-1][2] if measured and measured[-1][0] > at - BELIEVED_FOR else None
    box, kelvin = facts.box(charge), temperature_c + ZERO_C
    rh = (computed_rh_pct if read is None else read) / 100
    inside = facts.inside(last.hour, charge)
    # A hygrometer overrides the model: then the desiccant is taken to be in balance with its reading.
    contents = DryBoxContents(last.water_kg if read is None else box.water(rh, kelvin), last.held)
    span = min(OPENINGS_OVER, max(HOUR, at - charge.at))
    openings_day = facts.openings(at - span, at) / (span / timedelta(days=1))
    room = Room(DAY_S, kelvin, room_rh_pct / 100)
    # Readings from before a charge are no evidence of it.
    counted = [row for row in measured if row[0] >= last.period.first]
    is_checked = bool(measured) and hygrometer.check_at(measured[-1][0]) is not None
    return BoxNow(
        place=place,
        at=at,
        simulated=simulated,
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
        is_checked=is_checked,
        findings=[] if waiting else find_disagreement(place, simulated, counted, room_rh_pct, is_checked),
        outlook=BoxOutlook(
            place, Kind(charge.kind), box, facts.together(inside), contents, room, openings_day, hottest_c
        ),
    )
