"""How a dryer exchanges its air: in plans and their words, in runs, and when spools share its chamber."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from spools.drying.plans import plan_drying, plan_together
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.inventory.assumptions import save_place
from spools.models import DryingRun, Place
from spools.moisture.state import moisture_of
from spools.moisture.steps import advance_spools, load_spools
from tests.spools.conftest import feedstock, receive

pytestmark = pytest.mark.django_db


def exchanging(shelf, name, **values):
    return Place.objects.create(
        name=name,
        kind="dryer",
        max_set_point_c=90,
        room=shelf,
        set_point_error_c=3,
        spool_capacity=4,
        **values,
    )


@pytest.fixture
def spools(shelf):
    """Three like spools of wet PETG, received three weeks ago."""
    at = timezone.now() - timedelta(days=21)
    petg = feedstock("PETG")
    return [receive(petg, shelf, core_material="pc", sealed=False, at=at) for _ in range(3)]


def mean_pct(spool, at):
    return float(moisture_of([spool], at)[spool.pk].winding.mean_pct()[0])


def exchange_notes(plan):
    return [note for note in plan.notes if note.code == "drying.air_exchange"]


def test_less_air_and_more_spools_take_longer_and_the_plan_says_what_that_costs(shelf, spools):
    free = exchanging(shelf, "Free")
    little = exchanging(shelf, "Little", air_exchange="little")
    by_dryer = [plan_drying(spools[0], dryer) for dryer in (free, little)]
    assert by_dryer[0].hours < by_dryer[1].hours
    assert exchange_notes(by_dryer[0]) == []
    (note,) = exchange_notes(by_dryer[1])
    assert note.values["hours"] == by_dryer[1].hours
    assert note.values["free_hours"] == by_dryer[0].hours
    together = plan_together(spools, little)
    assert together.hours > by_dryer[1].hours
    (note,) = exchange_notes(together.plans[0][1])
    assert note.values["spools"] == 3


def test_a_stated_flow_counts_instead_of_the_usual_one(shelf, spools):
    usual = exchanging(shelf, "Usual", air_exchange="little")
    stated = exchanging(shelf, "Stated", air_exchange="little", air_flow_l_min=0.2)
    assert plan_drying(spools[0], usual).hours < plan_drying(spools[0], stated).hours


def test_desiccant_dries_below_what_the_rooms_air_leaves(shelf, spools):
    shelf.assumed_rh_pct = 80.0
    save_place(shelf)
    vented = exchanging(shelf, "Vented")
    sealed = exchanging(shelf, "Sealed", air_exchange="desiccant", desiccant_dew_point_c=-30)
    assert (
        plan_drying(spools[0], sealed).option.floor_pct < plan_drying(spools[0], vented).option.floor_pct / 5
    )
    (note,) = exchange_notes(plan_drying(spools[0], sealed))
    assert note.values["dew_point_c"] == -30


@pytest.mark.parametrize(
    "values",
    [
        {"kind": "shelf", "air_flow_l_min": 2.0},
        {"kind": "dryer", "max_set_point_c": 80, "desiccant_dew_point_c": -20.0},
        {"kind": "dryer", "max_set_point_c": 80, "air_flow_l_min": 0.0},
    ],
)
def test_a_flow_is_of_a_dryer_and_a_dew_point_of_one_with_desiccant(values):
    with pytest.raises(ValidationError), transaction.atomic():
        save_place(Place(name="Odd", **values))


@pytest.fixture
def shared(shelf, spools):
    """A dryer with little air: one spool dries for 12 h, a second one beside it from the 3rd to the 9th hour."""
    dryer = exchanging(shelf, "Little", air_exchange="little")
    start = timezone.now() - timedelta(hours=20)
    first, second, _ = spools
    start_drying([first], dryer, DryingSettings(65, planned_hours=12), at=start)
    start_drying([second], dryer, DryingSettings(65, planned_hours=6), at=start + timedelta(hours=3))
    runs = {run.spool_id: run for run in DryingRun.objects.all()}
    finish_drying(runs[second.pk], place=shelf, at=start + timedelta(hours=9))
    finish_drying(runs[first.pk], place=shelf, at=start + timedelta(hours=12))
    return dryer, start


def test_a_spool_beside_another_dries_slower_only_while_it_is_there(shared, spools):
    _, start = shared
    history = moisture_of([spools[0]], start + timedelta(hours=12))[spools[0].pk].history
    segments = list(history.segments(start, start + timedelta(hours=12)))
    at = [(segment.start - start) / timedelta(hours=1) for segment in segments]
    together = [segment.air.chamber.spools for segment in segments]
    assert {hours for hours in at if hours in (3.0, 9.0)} == {3.0, 9.0}
    assert all((count == 2) == (3 <= hours < 9) for hours, count in zip(at, together, strict=True))


def test_a_late_neighbour_changes_what_was_computed(shelf, spools):
    dryer = exchanging(shelf, "Little", air_exchange="little")
    start = timezone.now() - timedelta(hours=20)
    start_drying([spools[0]], dryer, DryingSettings(65, planned_hours=30), at=start)
    now = timezone.now()
    alone = mean_pct(spools[0], now)
    start_drying(spools[1:], dryer, DryingSettings(65, planned_hours=10), at=start + timedelta(hours=1))
    beside = mean_pct(spools[0], now)
    assert beside > alone
    for run in DryingRun.objects.filter(spool__in=spools[1:]):
        finish_drying(run, place=shelf, at=start + timedelta(hours=2))
    assert alone < mean_pct(spools[0], now) < beside


def test_stored_moisture_is_that_from_scratch_to_the_bit(shared, spools):
    _, start = shared
    ids = [spool.pk for spool in spools]
    for hours in (1, 4, 7, 10, 14, 18):
        moisture_of(spools, start + timedelta(hours=hours))
    until = start + timedelta(hours=19)
    results = []
    for from_scratch in (False, True):
        loaded = load_spools(ids, until, from_scratch=from_scratch)
        moments = dict(loaded.starts)
        for reached in advance_spools(loaded.histories, loaded.starts, until):
            moments |= reached
        results.append({pk: moment.winding.state.to_bytes() for pk, moment in moments.items()})
    assert results[0] == results[1]
