"""Readings are withdrawn, admitted again and corrected; all that rests on them follows to the bit."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.db import transaction
from hypothesis import given, settings
from hypothesis import strategies as st

from spools.air import dry_box_cache
from spools.air.climate import climate_at, record_readings
from spools.air.dry_box import put_desiccant
from spools.air.reading_corrections import correct_reading, withdraw_readings
from spools.facts import withdraw
from spools.inventory.ledger import weigh
from spools.models import Place, Reading, ReadingWithdrawal, WithdrawnReading
from tests.refusals import refuses
from tests.spools.conftest import receive
from tests.spools.derived import derived, require_rebuilt_equal

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(at(100), tick=False) as traveller:
        yield traveller


def stored(place: Place) -> list[tuple]:
    return list(place.readings.order_by("at").values_list("at", "temperature_c", "rh_pct", "origin"))


def test_withdrawn_and_admitted_again_nothing_is_different(nylon, shelf):
    room_box = Place.objects.create(name="Box", kind="dry_box", room=shelf, volume_l=30, half_time_h=33)
    put_desiccant(room_box, "silica_gel", 100, condition="new", at=START)
    spools = [receive(nylon, shelf, at=START), receive(nylon, room_box, at=START)]
    record_readings(shelf, [(at(h), 22, 45 + h / 9) for h in range(1, 90, 4)], origin="api")
    weigh(spools[0], 1190, at=at(60))
    dry_box_cache.advance()
    before, readings = derived(spools, at(100)), stored(shelf)
    span = withdraw_readings(shelf, at(20), at(90), reason="a stuck sensor")
    assert len(stored(shelf)) == 5
    without = derived(spools, at(100))
    assert all(without[spool.pk] != before[spool.pk] for spool in spools)
    dry_box_cache.advance()
    require_rebuilt_equal(spools)
    assert dry_box_cache.rebuild() == []
    withdraw(span, reason="it was right")
    assert stored(shelf) == readings
    assert derived(spools, at(100)) == before
    require_rebuilt_equal(spools)
    assert not WithdrawnReading.objects.exists()


def test_a_sensor_that_sends_again_brings_nothing_back(shelf):
    rows = [(at(h), 22, 60) for h in (10, 11, 12)]
    record_readings(shelf, rows, origin="api")
    span = withdraw_readings(shelf, at(10), at(14), reason="a stuck sensor")
    assert record_readings(shelf, rows, origin="api") == (0, 3)
    # Buffered by the sensor, and sent late.
    assert record_readings(shelf, [(at(13), 22, 60), (at(15), 22, 40)], origin="api") == (1, 1)
    assert [row[0] for row in stored(shelf)] == [at(15)]
    # A person who gives the same values again does not bring them back; other ones count.
    assert record_readings(shelf, [(at(10), 22, 60)], origin="hand") == (0, 1)
    assert record_readings(shelf, [(at(10), 22, 41)], origin="hand") == (1, 0)
    withdraw(span, reason="it was right")
    assert [(row[0], row[2]) for row in stored(shelf)] == [
        (at(10), 41),
        (at(11), 60),
        (at(12), 60),
        (at(13), 60),
        (at(15), 40),
    ]


def test_the_right_values_count_from_the_same_time(shelf, clock):
    record_readings(shelf, [(at(99), 22, 5)], origin="hand")
    wrong = shelf.readings.get()
    right = correct_reading(wrong, 22, 50)
    assert (right.at, climate_at(shelf).rh_pct) == (at(99), 50)
    span = ReadingWithdrawal.objects.get()
    with refuses("reading_replaced"):
        withdraw(span, reason="it was right")
    clock.shift(1)
    both = withdraw_readings(shelf, at(99), at(99), reason="both are wrong")
    assert climate_at(shelf).origin == "assumed"
    # The wrong value stands first: another withdrawal covers it now.
    withdraw(span, reason="it was right")
    assert climate_at(shelf).origin == "assumed"
    withdraw(both, reason="the first was right")
    assert climate_at(shelf).rh_pct == 5


@pytest.mark.parametrize(
    ("start", "end", "reason", "code"),
    [
        (10, 9, "x", "end_before_start"),
        (50, 60, "x", "no_readings"),
        (10, 12, " ", "text_length"),
        (10, 200, "x", "in_the_future"),
    ],
)
def test_spans_that_cannot_be_withdrawn(shelf, start, end, reason, code):
    record_readings(shelf, [(at(11), 22, 60)], origin="api")
    with refuses(code):
        withdraw_readings(shelf, at(start), at(end), reason=reason)
    assert shelf.readings.count() == 1


def test_only_what_people_gave_is_corrected(shelf):
    record_readings(shelf, [(at(11), 22, 60)], origin="api")
    with refuses("sent_by_sensor"):
        correct_reading(shelf.readings.get(), 22, 50)
    record_readings(shelf, [(at(12), 22, 60)], origin="hand")
    with refuses("same_values"):
        correct_reading(shelf.readings.get(origin="hand"), 22, 60)
    with refuses("out_of_range", "rh_pct"):
        correct_reading(shelf.readings.get(origin="hand"), 22, 101)


SPANS = st.lists(st.tuples(st.integers(0, 9), st.integers(0, 4)), min_size=1, max_size=4)


@settings(max_examples=15)
@given(spans=SPANS, order=st.randoms())
def test_spans_may_overlap_and_end_in_any_order(shelf, spans, order):
    with transaction.atomic():
        record_readings(shelf, [(at(h), 22, 40 + h) for h in range(15)], origin="api")
        whole = stored(shelf)
        kept = []
        for first, length in spans:
            if shelf.readings.filter(at__gte=at(first), at__lte=at(first + length)).exists():
                kept.append(withdraw_readings(shelf, at(first), at(first + length), reason="x"))
        while kept:
            hours = [(span.start, span.end) for span in kept]
            expected = [row for row in whole if not any(start <= row[0] <= end for start, end in hours)]
            assert stored(shelf) == expected
            assert Reading.objects.count() + WithdrawnReading.objects.count() == len(whole)
            withdraw(kept.pop(order.randrange(len(kept))), reason="x")
        assert stored(shelf) == whole
        transaction.set_rollback(True)
