from datetime import UTC, datetime, timedelta

import pytest
from django.core.exceptions import ValidationError

from spools.inventory import moves
from spools.models import DryingRun, Stay
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive

pytestmark = pytest.mark.django_db


def places(spool):
    return [(stay.place.name, stay.start, stay.end) for stay in spool.stays.all()]


def test_a_move_ends_one_stay_and_begins_the_next_at_the_same_time(spool, box, shelf):
    at = hours_ago(5)
    stay = moves.move_spool(spool, box, at=at)
    assert places(spool) == [("Open shelf", spool.received_at, at), ("Dry box", at, None)]
    assert moves.current_stay(spool) == stay


def test_a_move_to_where_it_is_adds_nothing(spool, shelf):
    assert moves.move_spool(spool, shelf) == spool.stays.get()


@pytest.mark.parametrize(
    ("at", "says"),
    [
        (lambda: hours_ago(-1), "in the future"),
        (lambda: hours_ago(900), "before spool"),
        (lambda: hours_ago(48), "not after that"),
        (lambda: datetime(2026, 1, 1, 8), "zone"),
        (lambda: datetime(1975, 1, 1, tzinfo=UTC), "too long ago"),
    ],
)
def test_impossible_times_are_refused_and_nothing_is_stored(spool, box, shelf, at, says):
    moves.move_spool(spool, box, at=hours_ago(24))
    before = places(spool)
    with pytest.raises(ValidationError, match=says):
        moves.move_spool(spool, shelf, at=at())
    assert places(spool) == before


def test_an_excursion_splits_the_present_stay(spool, box, shelf):
    start, end = hours_ago(50), hours_ago(2)
    away, back = moves.record_excursion(spool, box, start, end)
    assert places(spool) == [
        ("Open shelf", spool.received_at, start),
        ("Dry box", start, end),
        ("Open shelf", end, None),
    ]
    assert (away.place, back.place) == (box, shelf)


@pytest.mark.parametrize(
    ("start_h", "end_h", "says"),
    [(1, 2, "later end"), (60, 30, "not after that"), (10, -3, "future"), (10, 10, "later end")],
)
def test_an_excursion_that_overlaps_or_is_out_of_order_is_refused(spool, box, bag, start_h, end_h, says):
    moves.move_spool(spool, box, at=hours_ago(50))
    with pytest.raises(ValidationError, match=says):
        moves.record_excursion(spool, bag, hours_ago(start_h), hours_ago(end_h))
    assert spool.stays.count() == 2


def test_an_excursion_to_where_it_was_is_refused(spool, shelf):
    with refuses("same_place"):
        moves.record_excursion(spool, shelf, hours_ago(3), hours_ago(2))


def test_an_open_drying_run_keeps_the_spool_and_says_the_remedy(spool, dryer, box):
    moves.move_spool(spool, dryer, at=hours_ago(5))
    run = DryingRun.objects.create(
        spool=spool,
        dryer=dryer,
        set_point_c=70,
        start_cap_c=80,
        cap_c=80,
        planned_hours=5,
        target_pct=0.5,
        start=hours_ago(5),
    )
    for attempt in (
        lambda: moves.move_spool(spool, box),
        lambda: moves.mark_empty(spool),
        lambda: moves.record_excursion(spool, box, hours_ago(3), hours_ago(2)),
    ):
        with refuses("in_a_run"):
            attempt()
    run.end = hours_ago(1)
    run.save()
    with refuses("in_a_run_then"):
        moves.move_spool(spool, box, at=hours_ago(2))
    moves.move_spool(spool, box)


def test_an_empty_spool_is_nowhere_and_takes_no_more_facts(spool, box):
    moves.mark_empty(spool, at=hours_ago(1))
    assert moves.current_stay(spool) is None
    assert Stay.objects.get().end == hours_ago(1)
    for attempt in (lambda: moves.move_spool(spool, box), lambda: moves.mark_empty(spool)):
        with refuses("spool_empty"):
            attempt()


def test_a_spool_is_not_empty_before_its_last_print(pla, shelf):
    spool = receive(pla, shelf, at=hours_ago(10))
    with refuses("before_receipt"):
        moves.mark_empty(spool, at=hours_ago(11))
    spool.mass_entries.create(kind="printed", at=hours_ago(2), net_change_g=-5)
    with pytest.raises(ValidationError, match="after that"):
        moves.mark_empty(spool, at=hours_ago(2) - timedelta(minutes=1))


def test_a_dryer_is_locked_and_no_other_place(dryer, box, django_assert_num_queries):
    """SQLite has no row locks; the row is read all the same, for a dryer alone."""
    with django_assert_num_queries(1):
        moves.lock_dryer(dryer)
    with django_assert_num_queries(0):
        moves.lock_dryer(box)
