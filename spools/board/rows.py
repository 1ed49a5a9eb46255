"""Computes the rows of the board from the facts and the moisture of spools."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

import numpy as np
from django.db.models import QuerySet

from spools.air.climate import room_airs
from spools.air.enclosures import count_openings
from spools.air.hourly import BELIEVED_FOR, HOUR
from spools.air.hygrometer import computed_errors
from spools.board.airs import AirClass, air_class
from spools.catalogue.values import MaterialValues, material_values
from spools.drying.forecast import estimate_dry_times
from spools.drying.heat_budget import compute_heat
from spools.models import AirOutlook, DryingRun, Place, SpoolBoard
from spools.models.board import encode_outlooks
from spools.moisture.deciding import find_deciding
from spools.moisture.exposure_hours import Exposure
from spools.moisture.history import History, Segment
from spools.physics.air_errors import UNKNOWN_PLACE, AirErrors
from spools.physics_inputs import (
    DOUBT,
    LIKELY,
    SMALL_JOB_G,
    Array,
    ConstantAir,
    Interval,
    Winding,
    crossing_h,
    forecast_through,
    forecast_wetting,
)

State = SpoolBoard.State
# The small job that is judged where none is named, besides its SMALL_JOB_G.
SMALL_JOB_H = 2.0
# The hours at which the moisture ahead is computed, as in plans of drying.
PROBE_HOURS = (1, SMALL_JOB_H, 4, 8, 12, 24, 48, 96, 168, 336, 720, 1440, 2880, 5760, 8760)
# The small job is taken as one piece that is printed in the middle of its time (spools/physics/printing.py): that
# takes no step more, and shows 2 to 10 % too much of what the job gains, near balance with the air up to a quarter.
SMALL_JOB_PROBES = 1 + PROBE_HOURS.index(SMALL_JOB_H / 2)
# A row is valid this long at most, somewhat longer than the round in which all spools have their turn.
GOOD_FOR = timedelta(hours=8)
OWN_AIR_PROBES = 1 + PROBE_HOURS.index(GOOD_FOR / HOUR)
# A forecast differs a little from the moisture computed at its time: this stops a row from being computed at once
# again.
GOOD_AT_LEAST = timedelta(minutes=5)


@dataclass(frozen=True)
class _Ahead:
    """The outer turns of a spool in constant air: % by mass at 0 h and at PROBE_HOURS, (probes, members).

    Until it is decided when the limits are crossed, and at least through OWN_AIR_PROBES or SMALL_JOB_PROBES.
    """

    contents_pct: Array
    values: MaterialValues

    def hours_until(self, limit_pct: float, share: float, *, below: bool = False) -> float | None:
        """Hours until more than this share of the members are over a limit, or no more than that."""
        return crossing_h(self.contents_pct, PROBE_HOURS, limit_pct, share, below=below)

    @property
    def limits_pct(self) -> tuple[float, float]:
        return self.values.limit_clear_pct, self.values.limit_hold_pct

    @cached_property
    def lasts_h(self) -> tuple[float | None, float | None]:
        """Hours until it may be over the clear and the print limit."""
        clear_pct, hold_pct = self.limits_pct
        return self.hours_until(clear_pct, DOUBT), self.hours_until(hold_pct, DOUBT)

    @property
    def printed_pct(self) -> Array:
        """Of the small job as it is printed, (members,)."""
        return self.contents_pct[SMALL_JOB_PROBES]

    def hours_until_other_state(self, over_clear: float, over_hold: float) -> float | None:
        """Hours until its state changes; None: not within OWN_AIR_PROBES."""
        clear_pct, hold_pct = self.limits_pct
        candidates = [
            self.hours_until(clear_pct, DOUBT, below=True) if over_clear > DOUBT else self.lasts_h[0],
            self.hours_until(hold_pct, LIKELY, below=over_hold > LIKELY),
        ]
        return min((hours for hours in candidates if hours is not None), default=None)


def _outlooks(lanes: Mapping[tuple[int, AirClass], _Ahead]) -> dict[tuple[int, AirClass], AirOutlook]:
    """By the same keys."""
    printed = Interval.from_rows(np.array([ahead.printed_pct for ahead in lanes.values()]))
    return {
        (pk, air): AirOutlook(
            *air,
            *interval,
            float((ahead.printed_pct > ahead.values.limit_clear_pct).mean()),
            float((ahead.printed_pct > ahead.values.limit_hold_pct).mean()),
            *ahead.lasts_h,
        )
        for ((pk, air), ahead), interval in zip(lanes.items(), printed, strict=True)
    }


def rows_in_use() -> QuerySet[SpoolBoard]:
    """The stored rows of spools in use, fresh or not."""
    return SpoolBoard.objects.filter(spool__ended_at=None)


def moisture_state(over_clear: float, over_hold: float) -> State:
    """The state that follows from the shares of the members over the clear and the print limit."""
    if over_hold > LIKELY:
        return State.HOLD
    return State.CAUTION if over_clear > DOUBT else State.CLEAR


def compute_rows(
    histories: Mapping[int, History],
    windings: Mapping[int, Winding],
    generations: Mapping[int, int],
    airs: Sequence[AirClass],
    now: datetime,
) -> list[SpoolBoard]:
    """The rows of these spools at a time, from the winding of each then, without their advice.

    generations: of their caches before the facts were read. airs: the classes of air of the shop.
    """
    used = {pk: history for pk, history in histories.items() if history.spool.ended_at is None}
    segments = {pk: history.segment_at(now) for pk, history in used.items()}
    enclosed = _forecast_enclosed(used, windings, segments, now)
    own_airs = {pk: None if pk in enclosed else _own_air(segment) for pk, segment in segments.items()}
    next_airs = _next_airs(used, airs, now)
    errors = {pk: segment.air.errors for pk, segment in segments.items() if segment is not None}
    ahead = _forecast_outer_turns(used, windings, own_airs, next_airs, errors)
    outlooks = _outlooks(ahead)
    outer = {pk: windings[pk].outer_pct(SMALL_JOB_G) for pk in used}
    intervals = dict(zip(used, Interval.from_rows(np.array(list(outer.values()))), strict=True))
    dry_at, decided_by = _dry_times(used, windings, now), find_deciding(used, windings)
    rows = []
    for pk, history in used.items():
        row = SpoolBoard(
            spool=history.spool,
            generation=generations[pk],
            computed_at=now,
            outlooks_json=encode_outlooks([outlooks[pk, air] for air in next_airs[pk]]),
            heat_share=compute_heat(history.spool, history.runs, now).life_share,
            run_dry_at=dry_at.get(pk),
            decided_by=decided_by[pk],
        )
        _set_moisture(row, outer[pk], intervals[pk], material_values(history.spool.feedstock))
        _set_amount(row, history)
        _set_place(row, history, segments[pk], now)
        in_place = ahead[pk, air] if (air := own_airs[pk]) else enclosed.get(pk)
        _set_times(row, in_place, now)
        rows.append(row)
    return rows


def _own_air(segment: Segment | None) -> AirClass | None:
    """The air around a spool: exact in a drying run, else its class; None where it takes up nothing."""
    if segment is None or segment.kind == Exposure.UNOPENED:
        return None
    if segment.kind == Exposure.DRYING:
        return AirClass(segment.air.temperature_c, segment.air.rh_pct, segment.moving_air)
    return air_class(segment.air.temperature_c, segment.air.rh_pct, segment.moving_air)


def _next_airs(
    histories: Mapping[int, History], airs: Sequence[AirClass], now: datetime
) -> dict[int, list[AirClass]]:
    """The airs in which each spool may be next: those of the shop, and after a drying run that of the dryer's room."""
    runs = {pk: run for pk, history in histories.items() if (run := _open_run(history)) is not None}
    rooms = room_airs({run.dryer for run in runs.values()}, now) if runs else {}
    dryer_rooms = {
        pk: air_class(rooms[run.dryer_id].temperature_c, rooms[run.dryer_id].rh_pct, False)
        for pk, run in runs.items()
    }
    return {
        pk: list(dict.fromkeys([*airs, *([dryer_rooms[pk]] if pk in dryer_rooms else [])]))
        for pk in histories
    }


def _forecast_outer_turns(
    histories: Mapping[int, History],
    windings: Mapping[int, Winding],
    own_airs: Mapping[int, AirClass | None],
    next_airs: Mapping[int, Sequence[AirClass]],
    errors: Mapping[int, AirErrors],
) -> dict[tuple[int, AirClass], _Ahead]:
    """The forecast of each spool in its own air and in the next ones; equal airs are computed once.

    errors: how far its own air may be off.
    """
    lanes: dict[tuple[int, AirClass], _Ahead] = {}
    for pk, history in histories.items():
        values = material_values(history.spool.feedstock)
        probes = dict.fromkeys(next_airs[pk], SMALL_JOB_PROBES)
        if (own_air := own_airs[pk]) is not None:
            probes[own_air] = OWN_AIR_PROBES
        contents = forecast_wetting(
            windings[pk],
            [
                ConstantAir(0.0, *air, errors=errors[pk] if air == own_air else UNKNOWN_PLACE)
                for air in probes
            ],
            SMALL_JOB_G,
            (values.limit_clear_pct, values.limit_hold_pct),
            PROBE_HOURS,
            list(probes.values()),
        )
        lanes |= {(pk, air): _Ahead(members, values) for air, members in zip(probes, contents, strict=True)}
    return lanes


def _forecast_enclosed(
    histories: Mapping[int, History],
    windings: Mapping[int, Winding],
    segments: Mapping[int, Segment | None],
    now: datetime,
) -> dict[int, _Ahead]:
    """The forecasts of the spools in dry boxes and bags whose air ahead is computed: their desiccant fills up."""
    enclosed = {
        pk: segment
        for pk, segment in segments.items()
        if segment is not None and histories[pk].is_enclosed(segment, now)
    }
    boxes = {s.place.pk for s in enclosed.values() if s.place.kind == Place.Kind.DRY_BOX}
    openings = count_openings(boxes, now) if boxes else {}
    forecasts = {}
    for pk, segment in enclosed.items():
        winding, values, place = windings[pk], material_values(histories[pk].spool.feedstock), segment.place
        water_pct = float(np.median(winding.mean_pct()))
        pieces = histories[pk].enclosed_air(segment, now, water_pct, openings.get(place.pk, 0.0))
        airs = [ConstantAir(*piece, place.moved_air, errors=computed_errors(place)) for piece in pieces]
        limits_pct = (values.limit_clear_pct, values.limit_hold_pct)
        contents = forecast_through(winding, airs, SMALL_JOB_G, limits_pct, PROBE_HOURS, OWN_AIR_PROBES)
        forecasts[pk] = _Ahead(contents, values)
    return forecasts


def _dry_times(
    histories: Mapping[int, History], windings: Mapping[int, Winding], now: datetime
) -> dict[int, datetime | None]:
    """When all of each spool in a drying run is likely dry, by spool id."""
    runs = {pk: run for pk, history in histories.items() if (run := _open_run(history)) is not None}
    times = estimate_dry_times([(run, windings[pk]) for pk, run in runs.items()], now)
    return dict(zip(runs, times, strict=True))


def _open_run(history: History) -> DryingRun | None:
    return next((run for run in history.runs if run.end is None), None)


def _set_moisture(row: SpoolBoard, outer_pct: Array, interval: Interval, values: MaterialValues) -> None:
    row.p10_pct, row.p50_pct, row.p90_pct = interval
    row.over_clear = float(np.mean(outer_pct > values.limit_clear_pct))
    row.over_hold = float(np.mean(outer_pct > values.limit_hold_pct))
    row.state = moisture_state(row.over_clear, row.over_hold)


def _set_amount(row: SpoolBoard, history: History) -> None:
    amount = history.remaining()
    row.low_g, row.mass_g, row.high_g = amount.low_g, amount.mass_g, amount.high_g


def _set_place(row: SpoolBoard, history: History, segment: Segment | None, now: datetime) -> None:
    """Set the place and air of a spool, and the time until which they are valid."""
    row.good_until, row.run = now + GOOD_FOR, _open_run(history)
    if segment is None:
        return
    row.place = segment.place
    if segment.kind != Exposure.UNOPENED:
        row.air_temperature_c, row.air_rh_pct = segment.air.temperature_c, segment.air.rh_pct
    changes = [row.run.change_at] if row.run is not None else []
    if segment.air.origin == "reading":
        # Then the last reading becomes too old to be believed.
        own, room = (history.readings[place.pk] for place in (segment.place, segment.place.air_source))
        changes.append((own.hours or room.hours)[-1] + HOUR + BELIEVED_FOR)
    row.good_until = min([row.good_until, *(at for at in changes if at is not None and at > now)])


def _set_times(row: SpoolBoard, ahead: _Ahead | None, now: datetime) -> None:
    """ahead: None where the spool takes up nothing."""
    if ahead is None:
        row.prints_well_until = now if row.over_clear > DOUBT else None
        row.printable_until = now if row.over_hold > DOUBT else None
        return
    row.prints_well_until, row.printable_until = (_after(now, hours) for hours in ahead.lasts_h)
    changes_at = _after(now, ahead.hours_until_other_state(row.over_clear, row.over_hold))
    if changes_at is not None:
        row.good_until = min(row.good_until, max(changes_at, now + GOOD_AT_LEAST))


def _after(now: datetime, hours: float | None) -> datetime | None:
    return None if hours is None else now + timedelta(hours=hours)
