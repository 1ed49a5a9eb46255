"""Computes the rows of the board from the facts and the moisture of spools."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from spools.air.hourly import BELIEVED_FOR, HOUR
from spools.board.airs import AirClass, air_class
from spools.catalogue.values import MaterialValues, material_values
from spools.drying.forecast import estimate_dry_times
from spools.drying.heat_budget import compute_heat
from spools.models import AirOutlook, DryingRun, SpoolBoard
from spools.models.board import encode_outlooks
from spools.moisture.exposure_hours import Exposure
from spools.moisture.history import History, Segment
from spools.physics_inputs import (
    DOUBT,
    LIKELY,
    SMALL_JOB_G,
    Array,
    ConstantAir,
    Interval,
    Winding,
    contents_ahead,
    crossing_h,
)

State = SpoolBoard.State
# The small job that is judged where none is named, besides its SMALL_JOB_G.
SMALL_JOB_H = 2.0
# The hours at which a spool is looked at ahead, as in plans of drying.
LOOKS_H = (1, SMALL_JOB_H, 4, 8, 12, 24, 48, 96, 168, 336, 720, 1440)
SMALL_JOB_LOOK = 1 + LOOKS_H.index(SMALL_JOB_H)
# A row counts this long at most, somewhat longer than the round in which all spools have their turn.
GOOD_FOR = timedelta(hours=8)
# Where a forecast and the moisture computed then differ a little, a row is not computed again at once.
GOOD_AT_LEAST = timedelta(minutes=5)


@dataclass(frozen=True)
class _Ahead:
    """The outer turns of a spool in lasting air: % by mass at 0 h and at each of LOOKS_H, (looks, members)."""

    contents_pct: Array
    values: MaterialValues

    def hours_until(self, limit_pct: float, share: float, *, below: bool = False) -> float | None:
        """Hours until more than this share of the members are over a limit, or no more than that."""
        return crossing_h(self.contents_pct, LOOKS_H, limit_pct, share, below=below)

    def outlook(self, air: AirClass) -> AirOutlook:
        end = self.contents_pct[SMALL_JOB_LOOK]
        return AirOutlook(
            *air,
            *Interval.from_members(end),
            float((end > self.values.limit_clear_pct).mean()),
            float((end > self.values.limit_hold_pct).mean()),
            self.hours_until(self.values.limit_clear_pct, DOUBT),
            self.hours_until(self.values.limit_hold_pct, DOUBT),
        )

    def hours_until_other_state(self, over_clear: float, over_hold: float) -> float | None:
        """Hours until its state changes; None: not within LOOKS_H."""
        clear, hold = self.values.limit_clear_pct, self.values.limit_hold_pct
        found = [
            self.hours_until(clear, DOUBT, below=over_clear > DOUBT),
            self.hours_until(hold, LIKELY, below=over_hold > LIKELY),
        ]
        return min((hours for hours in found if hours is not None), default=None)


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
    """The rows of these spools at a time, from the winding of each then.

    generations: of their caches before the facts were read. airs: the classes of air of the shop.
    """
    used = {pk: history for pk, history in histories.items() if history.spool.emptied_at is None}
    here = {pk: history.segment_at(now) for pk, history in used.items()}
    own = {pk: _own_air(segment) for pk, segment in here.items()}
    lanes = {
        (pk, air): windings[pk] for pk in used for air in dict.fromkeys([*filter(None, [own[pk]]), *airs])
    }
    ahead = dict(zip(lanes, _forecast(lanes, used), strict=True))
    dry_at = _dry_times(used, windings, now)
    rows = []
    for pk, history in used.items():
        outer = windings[pk].outer_pct(SMALL_JOB_G)
        outlooks = [ahead[pk, air].outlook(air) for air in airs]
        row = SpoolBoard(
            spool=history.spool,
            generation=generations[pk],
            computed_at=now,
            outlooks_json=encode_outlooks(outlooks),
            heat_share=compute_heat(history.spool, history.runs, now).life_share,
            run_dry_at=dry_at.get(pk),
        )
        _set_moisture(row, outer, material_values(history.spool.feedstock))
        _set_amount(row, history)
        _set_place(row, history, here[pk], now)
        _set_times(row, ahead[pk, air] if (air := own[pk]) else None, now)
        rows.append(row)
    return rows


def _own_air(here: Segment | None) -> AirClass | None:
    """The air that a spool is in, as it is in a drying run, else its class; None where it takes up nothing."""
    if here is None or here.kind == Exposure.UNOPENED:
        return None
    if here.kind == Exposure.DRYING:
        return AirClass(here.air.temperature_c, here.air.rh_pct, here.moving_air)
    return air_class(here.air.temperature_c, here.air.rh_pct, here.moving_air)


def _forecast(
    lanes: Mapping[tuple[int, AirClass], Winding], histories: Mapping[int, History]
) -> list[_Ahead]:
    contents = contents_ahead(
        [(winding, ConstantAir(0.0, *air)) for (_, air), winding in lanes.items()], SMALL_JOB_G, LOOKS_H
    )
    return [
        _Ahead(members, material_values(histories[pk].spool.feedstock))
        for (pk, _), members in zip(lanes, contents, strict=True)
    ]


def _dry_times(
    histories: Mapping[int, History], windings: Mapping[int, Winding], now: datetime
) -> dict[int, datetime | None]:
    """When all of each spool in a drying run is likely dry, by spool id."""
    runs = {pk: run for pk, history in histories.items() if (run := _open_run(history)) is not None}
    times = estimate_dry_times([(run, windings[pk]) for pk, run in runs.items()], now)
    return dict(zip(runs, times, strict=True))


def _open_run(history: History) -> DryingRun | None:
    return next((run for run in history.runs if run.end is None), None)


def _set_moisture(row: SpoolBoard, outer_pct: Array, values: MaterialValues) -> None:
    row.p10_pct, row.p50_pct, row.p90_pct = Interval.from_members(outer_pct)
    row.over_clear = float(np.mean(outer_pct > values.limit_clear_pct))
    row.over_hold = float(np.mean(outer_pct > values.limit_hold_pct))
    row.state = moisture_state(row.over_clear, row.over_hold)


def _set_amount(row: SpoolBoard, history: History) -> None:
    amount = history.remaining()
    row.low_g, row.mass_g, row.high_g = amount.low_g, amount.mass_g, amount.high_g


def _set_place(row: SpoolBoard, history: History, here: Segment | None, now: datetime) -> None:
    """Where it is, and how long its row is good as far as that goes."""
    row.good_until, row.run = now + GOOD_FOR, _open_run(history)
    if here is None:
        return
    row.place = here.place
    if here.kind != Exposure.UNOPENED:
        row.air_temperature_c, row.air_rh_pct = here.air.temperature_c, here.air.rh_pct
    changes = [row.run.change_at] if row.run is not None else []
    if here.air.origin == "reading":
        # From then on the last reading is not believed any more.
        changes.append(history.readings[here.place.pk].hours[-1] + HOUR + BELIEVED_FOR)
    row.good_until = min([row.good_until, *(at for at in changes if at is not None and at > now)])


def _set_times(row: SpoolBoard, ahead: _Ahead | None, now: datetime) -> None:
    """ahead: None where the spool takes up nothing."""
    if ahead is None:
        row.prints_well_until = now if row.over_clear > DOUBT else None
        row.printable_until = now if row.over_hold > DOUBT else None
        return
    row.prints_well_until = _after(now, ahead.hours_until(ahead.values.limit_clear_pct, DOUBT))
    row.printable_until = _after(now, ahead.hours_until(ahead.values.limit_hold_pct, DOUBT))
    changes_at = _after(now, ahead.hours_until_other_state(row.over_clear, row.over_hold))
    if changes_at is not None:
        row.good_until = min(row.good_until, max(changes_at, now + GOOD_AT_LEAST))


def _after(now: datetime, hours: float | None) -> datetime | None:
    return None if hours is None else now + timedelta(hours=hours)
