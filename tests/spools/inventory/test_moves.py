from datetime import UTC, datetime, timedelta

import pytest

from spools.inventory import endings, moves, stays
from spools.models import DryingRun, Place, Stay
from spools.wording import format_time
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
    ("at", "code"),
    [
        (lambda: hours_ago(-1), "in_the_future"),
        (lambda: hours_ago(900), "before_receipt"),
        (lambda: hours_ago(48), "before_stay"),
        (lambda: datetime(2026, 1, 1, 8), "no_zone"),
        (lambda: datetime(1975, 1, 1, tzinfo=UTC), "too_long_ago"),
    ],
)
def test_impossible_times_are_refused_and_nothing_is_stored(spool, box, shelf, at, code):
    moves.move_spool(spool, box, at=hours_ago(24))
    before = places(spool)
    with refuses(code, "at"):
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
    ("start_h", "end_h", "field", "code"),
    [
        (1, 2, "end", "end_before_start"),
        (60, 30, "start", "overlaps_move"),
        (10, -3, "end", "in_the_future"),
        (10, 10, "end", "end_before_start"),
    ],
)
def test_an_excursion_that_overlaps_or_is_out_of_order_is_refused(
    spool, box, bag, start_h, end_h, field, code
):
    moves.move_spool(spool, box, at=hours_ago(50))
    with refuses(code, field):
        moves.record_excursion(spool, bag, hours_ago(start_h), hours_ago(end_h))
    assert spool.stays.count() == 2


def test_an_excursion_leads_to_a_place_that_was_created_before_the_present_one(spool, shelf, box):
    moves.move_spool(spool, box, at=hours_ago(50))
    away, back = moves.record_excursion(spool, shelf, hours_ago(3), hours_ago(2))
    assert shelf.pk < box.pk and (away.place, back.place) == (shelf, box)


def test_an_excursion_to_where_it_was_is_refused(spool, shelf):
    with refuses("same_place"):
        moves.record_excursion(spool, shelf, hours_ago(3), hours_ago(2))


def test_an_open_drying_run_blocks_a_move_and_names_the_remedy(spool, dryer, box):
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
        lambda: endings.end_spool(spool),
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
    endings.end_spool(spool, at=hours_ago(1))
    assert moves.current_stay(spool) is None
    assert Stay.objects.get().end == hours_ago(1)
    for attempt in (lambda: moves.move_spool(spool, box), lambda: endings.end_spool(spool)):
        with refuses("spool_ended"):
            attempt()


def test_a_spool_is_not_empty_before_its_last_print(pla, shelf):
    spool = receive(pla, shelf, at=hours_ago(10))
    with refuses("before_receipt"):
        endings.end_spool(spool, at=hours_ago(11))
    spool.mass_entries.create(kind="printed", at=hours_ago(2), net_change_g=-5)
    with refuses("later_fact", "at"):
        endings.end_spool(spool, at=hours_ago(2) - timedelta(minutes=1))


def test_a_dryer_is_locked_and_no_other_place(dryer, box, django_assert_num_queries):
    """SQLite has no row locks; the row is read all the same, for a dryer alone."""
    with django_assert_num_queries(1):
        moves.lock_dryer(dryer)
    with django_assert_num_queries(0):
        moves.lock_dryer(box)


MINUTE = timedelta(minutes=1)


def finished_run(spool, dryer, start, end) -> DryingRun:
    return DryingRun.objects.create(
        spool=spool,
        dryer=dryer,
        set_point_c=70,
        start_cap_c=80,
        cap_c=80,
        planned_hours=5,
        target_pct=0.5,
        start=start,
        end=end,
    )


def test_a_move_is_later_than_the_stay_that_it_ends(spool, box, bag):
    at = hours_ago(20)
    moves.move_spool(spool, box, at=at)
    for early in (at - MINUTE, at):
        with refuses("before_stay"):
            moves.move_spool(spool, bag, at=early)
    assert moves.move_spool(spool, bag, at=at + MINUTE).start == at + MINUTE


def test_an_excursion_ends_after_it_starts(spool, box):
    start = hours_ago(20)
    for end in (start - MINUTE, start):
        with refuses("end_before_start"):
            moves.record_excursion(spool, box, start, end)
    away, back = moves.record_excursion(spool, box, start, start + MINUTE)
    assert (away.end, back.start, back.end) == (start + MINUTE, start + MINUTE, None)


def test_a_spool_moves_again_from_the_end_of_its_last_run(spool, dryer):
    first_end, last_end = hours_ago(30), hours_ago(10)
    # Stored in another order than their times.
    finished_run(spool, dryer, hours_ago(20), last_end)
    finished_run(spool, dryer, hours_ago(40), first_end)
    for at in (first_end - MINUTE, first_end, last_end - MINUTE):
        with refuses("in_a_run_then") as caught:
            moves.require_not_in_run(spool, at)
        assert format_time(last_end) in str(caught.value)
    moves.require_not_in_run(spool, last_end)


def test_a_stay_in_a_dryer_lies_before_or_after_its_runs(spool, nylon, shelf, dryer):
    start, end = hours_ago(20), hours_ago(10)
    finished_run(spool, dryer, start, end)
    for stay in ((start - MINUTE, None), (end - MINUTE, None), (end - MINUTE, end), (start, start + MINUTE)):
        with refuses("dryer_in_use"):
            stays.require_unheated(dryer, *stay)
    for stay in ((end, None), (end, end + MINUTE), (start - MINUTE, start)):
        stays.require_unheated(dryer, *stay)
    second = Place.objects.create(name="Second", kind="dryer", max_set_point_c=90)
    stays.require_unheated(second, start, end)


def test_a_refused_stay_names_the_times_of_the_run(spool, dryer):
    start, end = hours_ago(20), hours_ago(10)
    run = finished_run(spool, dryer, start, end)
    with refuses("dryer_in_use") as refused:
        stays.require_unheated(dryer, start)
    assert f"from {format_time(start)} to {format_time(end)}" in str(refused.value)
    run.end = None
    run.save()
    with refuses("dryer_in_use") as refused:
        stays.require_unheated(dryer, start)
    assert f"since {format_time(start)}" in str(refused.value)


def test_a_spool_is_empty_from_its_last_fact(pla, shelf):
    spool = receive(pla, shelf, at=hours_ago(10))
    last = hours_ago(2)
    for at in (last, hours_ago(3)):
        spool.mass_entries.create(kind="printed", at=at, net_change_g=-5)
    with refuses("later_fact"):
        endings.end_spool(spool, at=last - MINUTE)
    assert endings.end_spool(spool, at=last).ended_at == last
