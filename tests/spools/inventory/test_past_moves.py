"""Moves that are added late, corrected and withdrawn: the stays follow from those that count."""

from datetime import timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone
from hypothesis import given, settings
from hypothesis import strategies as st

from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.facts import withdraw
from spools.inventory import endings, moves, stays
from spools.models import Stay
from spools.wording import format_time
from tests.refusals import reasons_of, refuses
from tests.spools.conftest import hours_ago, receive

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def clock():
    """The minute does not change while a test computes times."""
    with time_machine.travel(timezone.now(), tick=False):
        yield


def places(spool):
    return [(stay.place.name, stay.start, stay.end) for stay in spool.stays.select_related("place")]


def test_a_withdrawn_move_never_was(spool, box, bag):
    before = places(spool)
    moves.move_spool(spool, box, at=hours_ago(50))
    moves.move_spool(spool, bag, at=hours_ago(20))
    wrong = spool.moves.get(place=box)
    withdraw(wrong, reason="another spool")
    assert places(spool) == [("Open shelf", spool.received_at, hours_ago(20)), ("Bags", hours_ago(20), None)]
    withdraw(spool.moves.get(place=bag), reason="another spool")
    assert places(spool) == before
    with refuses("withdrawn_already"):
        moves.correct_move(wrong, place=box, at=hours_ago(5))


def test_a_past_stay_lies_between_later_moves(spool, box, bag):
    moves.move_spool(spool, box, at=hours_ago(50))
    moves.record_excursion(spool, bag, hours_ago(90), hours_ago(80))
    assert places(spool) == [
        ("Open shelf", spool.received_at, hours_ago(90)),
        ("Bags", hours_ago(90), hours_ago(80)),
        ("Open shelf", hours_ago(80), hours_ago(50)),
        ("Dry box", hours_ago(50), None),
    ]
    moves.record_excursion(spool, bag, hours_ago(60))
    assert places(spool)[-2:] == [("Bags", hours_ago(60), hours_ago(50)), ("Dry box", hours_ago(50), None)]


def test_what_does_not_fit_is_named(spool, box, bag):
    moves.move_spool(spool, box, at=hours_ago(50))
    with refuses("overlaps_move", "start", names=["Dry box", format_time(hours_ago(50))]):
        moves.record_excursion(spool, bag, hours_ago(60), hours_ago(40))
    moves.record_excursion(spool, bag, hours_ago(30), hours_ago(20))
    with refuses("overlaps_move", "start", names=["Bags", format_time(hours_ago(20))]):
        moves.record_excursion(spool, spool.moves.first().place, hours_ago(25), hours_ago(10))


def test_a_move_is_corrected_in_place_and_time(admin_user, spool, box, bag):
    moves.move_spool(spool, box, at=hours_ago(50))
    wrong = spool.moves.get(place=box)
    right = moves.correct_move(wrong, place=bag, at=hours_ago(70), by=admin_user)
    assert places(spool) == [("Open shelf", spool.received_at, hours_ago(70)), ("Bags", hours_ago(70), None)]
    wrong.refresh_from_db()
    assert (wrong.withdrawn_by, right.recorded_by) == (admin_user, admin_user)
    with refuses("end_of_past_stay", "until"):
        moves.correct_move(right, place=bag, at=hours_ago(60), until=hours_ago(50))


def test_the_place_of_the_receipt_is_corrected_and_its_time_is_not(spool, box):
    first = spool.moves.get()
    with refuses("move_of_receipt"):
        withdraw(first, reason="a test")
    with refuses("move_of_receipt", "at"):
        moves.correct_move(first, place=box, at=spool.received_at + timedelta(hours=1))
    moves.correct_move(first, place=box, at=spool.received_at)
    assert places(spool) == [("Dry box", spool.received_at, None)]


def test_a_drying_run_holds_the_moves_around_it(spool, pla, shelf, box, dryer):
    other = receive(pla, dryer, at=hours_ago(100))
    moves.move_spool(other, shelf, at=hours_ago(70))
    (run,) = start_drying([spool], dryer, DryingSettings(70), at=hours_ago(60))
    finish_drying(run, place=shelf, at=hours_ago(50))
    with refuses("move_of_run", names=[format_time(run.start)]):
        withdraw(run.move, reason="a test")
    with refuses("in_a_run_then"):
        moves.record_excursion(spool, box, hours_ago(55), hours_ago(52))
    with refuses("dryer_in_use", names=[format_time(run.start)]):
        withdraw(other.moves.get(place=shelf), reason="a test")


def test_an_ended_spool_keeps_its_end(spool, box):
    moves.move_spool(spool, box, at=hours_ago(50))
    endings.end_spool(spool, at=hours_ago(10))
    withdraw(spool.moves.get(place=box), reason="a test")
    assert places(spool) == [("Open shelf", spool.received_at, hours_ago(10))]


HOURS = st.integers(1, 12)
FACTS = st.lists(st.tuples(HOURS, st.none() | HOURS, st.sampled_from(["Dry box", "Bags"])), max_size=4)


@settings(max_examples=8)
@given(facts=FACTS, data=st.data())
def test_stays_follow_from_the_facts_in_any_order(spool, box, bag, facts, data):
    by_name = {"Dry box": box, "Bags": bag}

    def add(hour, length, name):
        start = spool.received_at + timedelta(hours=10 * hour)
        end = None if length is None else start + timedelta(hours=length)
        with transaction.atomic():
            moves.record_excursion(spool, by_name[name], start, end)

    with transaction.atomic():
        added = []
        for fact in facts:
            before = places(spool)
            try:
                add(*fact)
            except ValidationError:
                continue
            added.append(fact)
            after, move = places(spool), spool.moves.valid().latest("recorded_at", "pk")
            withdraw(move, reason="a test")
            assert places(spool) == before
            add(*fact)
            assert places(spool) == after
        once = places(spool)
        for stay in Stay.objects.filter(spool=spool):
            assert stay.end is None or stay.start < stay.end
        for move in spool.moves.valid().exclude(at=spool.received_at).order_by("-at"):
            withdraw(move, reason="a test")
        for fact in data.draw(st.permutations(added)):
            try:
                add(*fact)
            except ValidationError as error:
                # No valid order: a past stay in the place where it is anyway says nothing.
                assert {code for _, code, _ in reasons_of(error)} == {"same_place"}
                break
        else:
            assert places(spool) == once
        assert stays.rebuild_stays(spool) == []
        transaction.set_rollback(True)
