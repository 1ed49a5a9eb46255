"""Weighings that scales send: whose they are, what is held, and what a person does about it."""

from datetime import timedelta

import pytest
from django.utils import timezone

from maintenance.models import Scale, ScaleWeighing
from maintenance.scales.scales import MOST_SCALES
from maintenance.scales.weighings import (
    SentMass,
    find_candidates,
    record_scan,
    record_weighing,
    set_aside,
    settle_weighing,
)
from spools.models import MassEntry
from tests.refusals import refuses
from tests.restored import built_once
from tests.spools.conftest import hours_ago


@built_once
def bench(shop):
    return Scale.objects.create(name="bench", place=shop.shelf, step_g=1)


def weighed(spool) -> list[float]:
    return [entry.gross_g for entry in MassEntry.objects.valid().filter(spool=spool, kind="weighed")]


def send(mass_g, at=None, **values) -> ScaleWeighing:
    return record_weighing(SentMass("bench", mass_g, at, **values))[0]


def test_a_weighing_is_of_the_spool_with_its_code(bench, plain):
    row = send(1150, code=f"HTTPS://SHOP.EXAMPLE/S/{plain.code}")
    assert weighed(plain) == [1150] and row.entry.resolution_g == 1 and not row.held
    net = send(940, is_net=True, code=plain.code, sent_id="7")
    assert net.entry.gross_g == 1140


def test_a_weighing_is_of_the_spool_scanned_there_in_the_ten_minutes_before(bench, plain, filled, shop):
    at = hours_ago(5)
    record_scan(filled, shop.box, at=at)
    record_scan(plain, shop.shelf, at=at)
    assert send(1100, at + timedelta(minutes=9)).spool == plain
    assert send(1100, at + timedelta(minutes=9.5)).entry is not None, "it stayed on the scale"
    assert weighed(plain) == [1100]
    other = send(800, at + timedelta(minutes=9.8))
    assert (other.held, weighed(plain)) == ("other_mass", [1100]), "another spool was put on it"
    assert send(900, at + timedelta(minutes=11)).held == "which_spool"
    assert weighed(filled) == []


def test_a_scan_that_comes_late_answers_what_waits(bench, plain, filled, shop):
    at = hours_ago(5)
    waits = [send(1000, at), send(900, at + timedelta(minutes=30))]
    assert {row.held for row in waits} == {"which_spool"}
    record_scan(plain, shop.shelf, at=at - timedelta(minutes=1))
    assert weighed(plain) == [1000]
    # The other one waits for a person: the spools scanned there are offered.
    row = ScaleWeighing.objects.get(pk=waits[1].pk)
    assert find_candidates(row)[0] == plain
    assert settle_weighing(row, filled).entry.at == row.at and weighed(filled) == [900]
    with refuses("settled_already"):
        set_aside(row)


@pytest.mark.parametrize(
    ("mass_g", "reason"),
    [
        (150, "below_reel_mass"),
        (1400, "above_ever_weighed"),
        (-5, "out_of_range"),
        (20_000, "above_ever_weighed"),
    ],
)
def test_what_no_weighing_can_be_is_held(bench, plain, mass_g, reason):
    row = send(mass_g, code=plain.code)
    assert (row.held, row.spool, row.entry) == (reason, plain, None)
    assert weighed(plain) == []
    set_aside(row)
    assert not ScaleWeighing.objects.exclude(held="").exists() and weighed(plain) == []


def test_water_explains_a_heavier_spool_and_a_joint_too_but_no_more(bench, wet):
    send(1200, code=wet.code)
    assert not send(1210, code=wet.code).held
    assert send(1500, code=wet.code).held == "above_ever_weighed"
    row = ScaleWeighing.objects.get(held="above_ever_weighed")
    with refuses("before_receipt"):
        settle_weighing(
            ScaleWeighing.objects.create(scale=bench, at=hours_ago(900), mass_g=900, held="x"), wet
        )
    assert settle_weighing(row, wet).entry.gross_g == 1500, "a person looked"


def test_a_repeated_weighing_changes_nothing(bench, plain):
    at = hours_ago(2)
    for sent in (
        SentMass("bench", 1100, at, code=plain.code, sent_id="a1"),
        SentMass("bench", 1090, at + timedelta(minutes=1), code=plain.code),
        SentMass("bench", 300, at),
    ):
        first, was_known = record_weighing(sent)
        again = record_weighing(sent)
        assert (was_known, again) == (False, (first, True))
    assert weighed(plain) == [1100, 1090]


def test_a_clock_that_is_ahead_holds_the_mass_until_a_person_says_whose_it_is(bench, plain):
    row = send(1000, timezone.now() + timedelta(days=3), code=plain.code)
    assert row.held == "in_the_future"
    assert settle_weighing(row, plain).entry.at == row.recorded_at


def test_an_unknown_code_and_an_ended_spool_are_held(bench, plain):
    from spools.inventory.endings import end_spool

    assert send(500, code="7KD-4QM-X").held == "unknown_code"
    end_spool(plain)
    assert send(500, code=plain.code).held == "spool_ended"


def test_an_unknown_scale_is_added_and_there_is_an_end_to_that(shop):
    assert record_weighing(SentMass("kitchen", 500))[0].held == "which_spool"
    assert Scale.objects.get().name == "kitchen"
    Scale.objects.bulk_create(Scale(name=f"scale {n}") for n in range(MOST_SCALES - 1))
    with refuses("many_scales", "scale"):
        record_weighing(SentMass("one more", 500))
