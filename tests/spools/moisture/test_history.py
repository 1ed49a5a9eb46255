"""Facts to segments: surroundings, cuts, what counts for the exposure clock."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
import time_machine
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from spools.air.climate import record_readings
from spools.air.hourly import HOUR, HourlyReadings
from spools.drying import runs as drying_runs
from spools.drying.runs import DryingSettings
from spools.inventory import ledger, moves, openings
from spools.moisture import history_queries
from spools.moisture.exposure_hours import Exposure
from tests.spools.conftest import receive

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def _today():
    with time_machine.travel(at(200), tick=False):
        yield


def segments(spool, until=None, start=None):
    start, until = start or spool.received_at, until or timezone.now()
    (past,) = history_queries.load([spool.pk], until, since=lambda _: start).values()
    return list(past.segments(start, until))


def test_an_assumed_climate_is_cut_at_midnights_only(nylon, shelf):
    found = segments(receive(nylon, shelf, at=START), at(72))
    assert [(s.start.hour, s.end.hour) for s in found] == [(10, 0), (0, 0), (0, 0), (0, 0)]
    assert {(s.air.temperature_c, s.air.rh_pct, s.air.origin) for s in found} == {(22, 50, "assumed")}


def test_readings_are_averaged_by_the_hour_believed_for_six_and_then_the_assumption_counts(nylon, shelf):
    spool = receive(nylon, shelf, at=START)
    # At 20 and 30 °C the vapour pressure is 2339 and 4247 Pa (Hyland-Wexler): the mean of 40 % of each at
    # 25 °C, 3170 Pa, is 41.6 %.
    rows = [(at(2), 20, 40), (at(2.5), 30, 40), (at(4), 21, 60)]
    record_readings(shelf, rows, origin="api")
    found = [
        (s.start, s.end, s.air.temperature_c, s.air.rh_pct, s.air.origin) for s in segments(spool, at(12))
    ]
    noon = START.replace(hour=12, minute=0)
    assert found == [
        (START, noon, 22, 50, "assumed"),
        (noon, noon + HOUR, 25, pytest.approx(41.6, abs=0.1), "reading"),
        (noon + HOUR, noon + 2 * HOUR, 25, pytest.approx(41.6, abs=0.1), "reading"),
        (noon + 2 * HOUR, noon + 3 * HOUR, 21, pytest.approx(60), "reading"),
        (noon + 3 * HOUR, noon + 9 * HOUR, 21, pytest.approx(60), "reading"),
        (noon + 9 * HOUR, noon + 12 * HOUR, 22, 50, "assumed"),
    ]


# checks.md: 25 °C and 50 % RH heated to 60 °C has 7.95 % RH.
def test_a_drying_run_heats_the_air_of_the_room_and_moves_it(nylon, shelf, dryer, box):
    spool = receive(nylon, shelf, at=START)
    record_readings(shelf, [(at(h / 2), 25, 50) for h in range(1, 60)], origin="api")
    (run,) = drying_runs.start_drying([spool], dryer, DryingSettings(60), at=at(5))
    drying_runs.finish_drying(run, place=dryer, at=at(13))
    inside = [s for s in segments(spool, at(20)) if at(5) <= s.start < at(13)]
    assert {(s.air.temperature_c, s.moving_air, s.kind) for s in inside} == {(60, True, Exposure.DRYING)}
    assert [s.air.rh_pct for s in inside] == pytest.approx([7.95] * len(inside), abs=0.03)
    assert (inside[0].start, inside[-1].end) == (at(5), at(13))
    # Without a run the dryer holds the air of its room.
    after = [s for s in segments(spool, at(20)) if s.start >= at(13)]
    assert {(s.air.temperature_c, s.moving_air, s.kind) for s in after} == {(25, False, Exposure.EXPOSED)}


# PA6 (polymers.csv): 80 °C, 12-16 h; the dryer may be 5 K off.
@pytest.mark.parametrize(("set_point_c", "hours", "credit"), [(75, 12, 1), (80, 6, 0.5), (74, 40, 0)])
def test_a_finished_run_gives_its_credit_at_its_end(nylon, shelf, dryer, set_point_c, hours, credit):
    spool = receive(nylon, shelf, at=START)
    (run,) = drying_runs.start_drying([spool], dryer, DryingSettings(set_point_c), at=at(5))
    drying_runs.finish_drying(run, place=shelf, at=at(5 + hours))
    assert [(s.end, s.credit) for s in segments(spool) if s.credit] == (
        [(at(5 + hours), credit)] if credit else []
    )


def test_what_counts_for_the_clock(nylon, bag, box, shelf):
    spool = receive(nylon, bag, at=START)
    moves.move_spool(spool, box, at=at(10))
    openings.record_opening(spool, at=at(10))
    record_readings(box, [(at(h), 22, 15) for h in range(20, 31)], origin="api")
    moves.move_spool(spool, bag, at=at(60))
    kinds = [(s.start, s.kind) for s in segments(spool, at(70))]
    assert [kind for start, kind in kinds if start < at(10)] == [Exposure.UNOPENED]
    # A dry box is dry storage while measured so, not for what is assumed of it; an opened bag neither.
    dry = [start for start, kind in kinds if kind == Exposure.DRY]
    assert (min(dry), max(dry)) == (at(20).replace(minute=0), at(31).replace(minute=0))
    assert {kind for start, kind in kinds if start >= at(60)} == {Exposure.EXPOSED}
    assert segments(receive(nylon, bag, at=START, sealed=False), at(9))[0].kind == Exposure.EXPOSED


def test_mass_entries_cut_and_the_winding_shrinks(nylon, shelf):
    spool = receive(nylon, shelf, at=START)
    ledger.take(spool, 300, at=at(5))
    ledger.weigh(spool, 850, at=at(7))
    assert [(s.start, s.mass_g) for s in segments(spool, at(8))] == [
        (START, 1000),
        (at(5), 700),
        (at(7), 650),
    ]


def test_histories_of_many_spools_take_as_few_queries_as_one(nylon, shelf, dryer, django_assert_num_queries):
    spools = [receive(nylon, shelf, at=START) for _ in range(30)]
    with django_assert_num_queries(8):
        loaded = history_queries.load([s.pk for s in spools], at(50), since=lambda _: START)
        for past in loaded.values():
            list(past.segments(START, at(50)))


minutes = st.integers(0, 60 * 100).map(lambda n: at(n / 60))


@given(times=st.lists(minutes, min_size=1), splits=st.lists(minutes))
def test_the_hours_of_readings_leave_no_gap_and_agree_wherever_one_starts(times, splits):
    readings = HourlyReadings.from_rows((t, 21.0, 40.0) for t in times)
    now, cuts = START, [START]
    while now < at(120):
        state, until = readings.at(now)
        assert until > now
        inside = now + (min(until, at(120)) - now) / 2
        assert readings.at(inside) == (state, until)
        now = until
        cuts.append(now)
    for t in times:
        assert readings.at(t)[0] is not None


def test_continuing_from_any_cut_gives_the_same_segments(nylon, shelf, box, dryer):
    spool = receive(nylon, shelf, at=START)
    record_readings(shelf, [(at(h), 20 + h / 10, 40 + h / 3) for h in range(3, 90, 4)], origin="api")
    moves.move_spool(spool, box, at=at(30))
    ledger.take(spool, 100, at=at(31))
    (run,) = drying_runs.start_drying([spool], dryer, DryingSettings(75), at=at(33))
    drying_runs.finish_drying(run, place=shelf, at=at(48))
    whole = segments(spool)
    assert all(first.end == second.start for first, second in pairwise(whole))
    for n, segment in enumerate(whole[1:], start=1):
        assert segments(spool, start=segment.start) == whole[n:]
