"""Stored answers about dry boxes: read while they are fresh, computed anew where they are stale."""

from datetime import UTC, datetime, timedelta

import pytest
from django.utils import timezone

from spools.air import dry_box_board, dry_box_cache
from spools.air.climate import record_readings
from spools.air.dry_box import box_now, put_desiccant
from spools.invalidation import invalidate_all
from spools.models import BoxBoard
from tests.spools.air.conftest import NOW_H, at
from tests.spools.conftest import receive

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
# Twenty minutes past an hour.
NOW = at(NOW_H)
pytestmark = pytest.mark.usefixtures("clock")


def computed_at(now: datetime) -> datetime:
    [(_, answer)] = dry_box_board.read(now)
    return answer.at


def test_an_answer_is_that_of_the_box_and_is_read_again(charged, django_assert_num_queries):
    [(place, answer)] = dry_box_board.read(NOW)
    expected = box_now(charged, NOW)
    assert place == charged
    assert (answer.computed_rh_pct, answer.held_g) == (expected.computed_rh_pct, expected.held_g)
    assert (answer.days, answer.fresh_days) == (expected.days_likely, expected.regenerated[0].days)
    with django_assert_num_queries(3):
        assert dry_box_board.read(NOW + MINUTE) == [(charged, answer)]


def test_a_reading_of_the_room_leaves_it_fresh(shelf, charged):
    computed_at(NOW)
    record_readings(shelf, [(timezone.now(), 22, 50)], origin="api")
    assert computed_at(NOW + MINUTE) == NOW


def test_facts_of_the_past_and_facts_about_the_box_make_it_stale(pla, shelf, charged, clock):
    def limit_changes():
        charged.limit_rh_pct += 5
        charged.save()

    facts = [
        lambda: receive(pla, charged, at=NOW - HOUR),
        lambda: record_readings(shelf, [(NOW - 30 * HOUR, 22, 50)], origin="file"),
        lambda: put_desiccant(charged, "silica_gel", 90, condition="new", at=NOW - 2 * HOUR),
        limit_changes,
    ]
    for minute, record in enumerate(facts, start=1):
        computed_at(NOW + (minute - 1) * MINUTE)
        record()
        assert computed_at(NOW + minute * MINUTE) == NOW + minute * MINUTE


def test_a_hygrometer_that_shows_other_air_makes_it_stale(charged):
    computed_at(NOW - 10 * MINUTE)
    for minute, rh_pct, computed in ((-5, 20, -5), (-4, 21.5, -5), (-3, 22.5, -3)):
        now = NOW + minute * MINUTE
        record_readings(charged, [(now, 22, rh_pct)], origin="api")
        [(_, answer)] = dry_box_board.read(now)
        assert (answer.at, answer.measured_rh_pct) == (NOW + computed * MINUTE, rh_pct)


def test_each_box_has_its_turn_within_six_hours_and_a_measured_one_each_hour(charged):
    computed_at(NOW)
    turn = BoxBoard.objects.get().good_until.astimezone(UTC)
    assert (turn.minute, turn.hour % 6) == (0, charged.pk % 6)
    assert timedelta(0) < turn - NOW <= 6 * HOUR
    assert computed_at(turn) == turn
    record_readings(charged, [(NOW, 22, 20)], origin="api")
    computed_at(NOW)
    assert BoxBoard.objects.get().good_until == NOW + 40 * MINUTE


def test_a_box_without_desiccant_has_no_answer(charged):
    put_desiccant(charged, "silica_gel", 0, condition="new", at=NOW - 3 * HOUR)
    assert dry_box_board.read(NOW) == []
    assert BoxBoard.objects.count() == 1


@pytest.mark.parametrize("drop", [invalidate_all, dry_box_cache.rebuild])
def test_answers_can_be_computed_again(charged, drop):
    before = dry_box_board.read(NOW)
    drop()
    assert not BoxBoard.objects.exists()
    assert dry_box_board.read(NOW) == before
