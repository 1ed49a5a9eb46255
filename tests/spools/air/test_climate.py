import io
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.utils import timezone

from background.models import WorkItem
from spools.air import climate, storing
from spools.air.csv_import import read_csv
from spools.inventory import moves
from spools.models import DryingRun, MoistureState, Place, Reading
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive

pytestmark = pytest.mark.django_db


def csv_file(text: str) -> io.BytesIO:
    return io.BytesIO(text.encode())


def test_readings_win_for_six_hours_then_the_assumption_counts(shelf):
    climate.record_readings(shelf, [(hours_ago(5), 24, 61)], origin="hand")
    now = climate.climate_at(shelf)
    assert (now.temperature_c, now.rh_pct, now.origin) == (24, 61, "reading")
    assert now.source.values["age_min"] == pytest.approx(300, abs=1)
    later = climate.climate_at(shelf, timezone.now() + timedelta(hours=2))
    assert (later.temperature_c, later.rh_pct, later.origin) == (22, 50, "assumed")


# checks.md: room air of 25 °C and 50 % RH at 60 °C has 7.95 % RH (PsychroLib, CoolProp, IAPWS-95).
def test_a_dryer_heats_the_air_of_its_room(spool, shelf, dryer):
    climate.record_readings(shelf, [(hours_ago(1), 25, 50)], origin="api")
    assert climate.climate_at(dryer).rh_pct == 50
    DryingRun.objects.create(
        spool=spool,
        dryer=dryer,
        set_point_c=60,
        start_cap_c=80,
        cap_c=80,
        planned_hours=5,
        target_pct=0.5,
        start=hours_ago(5),
    )
    now = climate.climate_at(dryer)
    assert (now.temperature_c, now.origin) == (60, "dryer")
    assert now.rh_pct == pytest.approx(7.95, abs=0.03)


def test_a_dryer_without_a_room_breathes_its_own_assumed_air(db):
    alone = Place.objects.create(name="Alone", kind="dryer", max_set_point_c=70, assumed_rh_pct=33)
    assert climate.climate_at(alone).rh_pct == 33


def test_many_places_take_few_queries(shelf, bag, box, dryer, django_assert_num_queries):
    with django_assert_num_queries(1):
        assert len(climate.climates_now([shelf, bag, box])) == 3
    stored = Place.objects.get(pk=dryer.pk)
    with django_assert_num_queries(3):
        assert len(climate.climates_now([shelf, bag, box, stored])) == 4


def test_a_duplicate_reading_is_counted_and_unchanged(shelf):
    at = hours_ago(1)
    assert climate.record_readings(shelf, [(at, 20, 40), (at, 21, 41)], origin="api") == (1, 1)
    assert climate.record_readings(shelf, [(at, 25, 45), (hours_ago(2), 20, 40)], origin="file") == (1, 1)
    assert Reading.objects.get(at=at).temperature_c == 20


@pytest.mark.parametrize(
    ("row", "field", "code"),
    [
        ((1, 21, 140), "rh_pct", "out_of_range"),
        ((1, 21, -1), "rh_pct", "out_of_range"),
        ((1, 151, 40), "temperature_c", "out_of_range"),
        ((1, float("nan"), 40), "temperature_c", "out_of_range"),
        ((-1, 21, 40), "time", "in_the_future"),
    ],
)
def test_impossible_readings_are_refused_with_all_their_company(shelf, row, field, code):
    hours, *rest = row
    rows = [(hours_ago(3), 21, 40), (hours_ago(hours), *rest)]
    with refuses(code, field):
        climate.record_readings(shelf, rows[1:], origin="api")
    with refuses("impossible_reading", names=["2", field]):
        climate.record_readings(shelf, rows, origin="api")
    assert not Reading.objects.exists()


def test_late_readings_cut_back_the_checkpoints_of_the_spools_that_were_there(pla, shelf, box, dryer):
    here, was_here, in_dryer, elsewhere, left_before = (receive(pla, shelf) for _ in range(5))
    moves.move_spool(was_here, box, at=hours_ago(10))
    moves.move_spool(in_dryer, dryer, at=hours_ago(200))
    moves.move_spool(elsewhere, box, at=hours_ago(200))
    moves.move_spool(left_before, box, at=hours_ago(100))
    late = hours_ago(30)
    for spool in (here, was_here, in_dryer, elsewhere, left_before):
        for at in (late - timedelta(hours=2), late + timedelta(hours=2)):
            MoistureState.objects.create(spool=spool, at=at, memory=b"", exposure_hours=0)
    climate.record_readings(shelf, [(late, 21, 40)], origin="api")
    left = {
        spool: spool.moisture_states.count() for spool in (here, was_here, in_dryer, elsewhere, left_before)
    }
    assert list(left.values()) == [1, 1, 1, 2, 2]


def test_readings_wake_the_boxes_of_their_room_once_where_they_change_a_sample(shelf, box):
    room = Place.objects.create(name="Cellar", kind="shelf", assumed_temperature_c=14, assumed_rh_pct=70)
    Place.objects.filter(pk=box.pk).update(room=shelf, volume_l=40, half_time_h=300)
    queued = WorkItem.objects.filter(name=storing.ADVANCE_ROOM)
    with time_machine.travel(datetime(2031, 5, 6, 12, 30, tzinfo=UTC), tick=False):
        climate.record_readings(shelf, [(timezone.now() - timedelta(minutes=20), 21, 40)], origin="api")
        assert queued.get().args == {"room_id": shelf.pk}
        queued.delete()
    with time_machine.travel(datetime(2031, 5, 6, 13, 30, tzinfo=UTC), tick=False):
        climate.record_readings(shelf, [(timezone.now() - timedelta(minutes=20), 21, 40)], origin="api")
        climate.record_readings(room, [(timezone.now() - timedelta(hours=2), 14, 70)], origin="api")
        assert not queued.exists()
        for minutes in (40, 50):
            climate.record_readings(
                shelf, [(timezone.now() - timedelta(minutes=minutes), 21, 40)], origin="api"
            )
        assert queued.get().due == timezone.now()
        assert queued.get().args == {"room_id": shelf.pk}


def test_csv_with_commas_and_zone():
    rows = read_csv(csv_file("time,temperature_c,rh_pct\n2026-01-31T08:00Z,21.5,44\n"))
    assert rows == [(datetime(2026, 1, 31, 8, tzinfo=UTC), 21.5, 44)]


def test_csv_with_semicolons_decimal_commas_other_columns_and_the_shops_zone(settings):
    text = "\ufeffNo;RH_pct; Time ;temperature_c\r\n1;44,5;2026-01-31 08:00;21,5\r\n\r\n"
    rows = read_csv(csv_file(text))
    assert rows == [(datetime(2026, 1, 31, 7, tzinfo=UTC), 21.5, 44.5)]  # Europe/Berlin in winter


def test_a_file_of_too_many_lines_is_not_read_to_its_end(monkeypatch):
    monkeypatch.setattr("spools.edits.tables.MAX_LINES", 10)
    file = csv_file(HEADER + "2026-01-31T08:00Z,21,44\n" * 20_000)
    with refuses("file_too_long"):
        read_csv(file)
    assert file.tell() < 20_000


HEADER = "time,temperature_c,rh_pct\n"


@pytest.mark.parametrize(
    ("content", "code", "names"),
    [
        (b"\x89PNG\r\n\x1a\n\x00\x00", "not_text", []),
        (b"", "file_empty", []),
        ((HEADER + "x" * 10 * 2**20).encode(), "file_too_large", ["10 MiB"]),
        (b"hello there", "column_missing", [": time, temperature_c, rh_pct"]),
        (b"time,temperature_c\n2026-01-31T08:00Z,21\n", "column_missing", [": rh_pct"]),
        (HEADER.encode(), "no_readings", []),
        (
            (HEADER + "2026-01-31T08:00Z,21,44\n2026-01-31T09:00Z,warm,44\n").encode(),
            "not_a_number",
            ["3", '"warm"'],
        ),
        ((HEADER + "31.1.26 8 Uhr,21,44\n").encode(), "not_a_time", ["2", '"31.1.26 8 Uhr"']),
        ((HEADER + "2026-01-31T08:00Z,21,140\n").encode(), "impossible_reading", ["2", "rh_pct", "140"]),
        ((HEADER + "2126-01-31T08:00Z,21,40\n").encode(), "impossible_reading", ["2", "time", "31 Jan 2126"]),
        ((HEADER + "2026-01-31T08:00Z,21\n").encode(), "column_count", ["2"]),
        ((HEADER + '2026-01-31T08:00Z,"21,40\n').encode(), "not_csv", []),
        ((HEADER + "2026-01-31T08:00Z,1e999,40\n").encode(), "impossible_reading", ["2", "temperature_c"]),
    ],
)
def test_a_file_that_is_no_csv_of_readings_is_refused_with_the_line(content, code, names):
    with refuses(code, names=names):
        read_csv(io.BytesIO(content))


def test_lines_end_as_on_any_machine():
    for end in ("\n", "\r\n", "\r"):
        rows = read_csv(csv_file(end.join([HEADER.strip(), "2026-01-31T08:00Z,21.5,44", ""])))
        assert rows == [(datetime(2026, 1, 31, 8, tzinfo=UTC), 21.5, 44)]
