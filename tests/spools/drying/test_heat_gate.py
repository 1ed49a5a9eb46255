"""No spool gets into a dryer's heat past the check of its cap: on no path, and not by standing there."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from spools.drying import runs as drying_runs
from spools.drying.gate import stays_without_run
from spools.drying.runs import DryingSettings
from spools.inventory import moves
from spools.models import DryingRun, Stay
from tests.pages.corner import corner, of, words
from tests.spools.conftest import hours_ago, receive

pytestmark = pytest.mark.django_db


@pytest.fixture
def hot(spool, dryer) -> DryingRun:
    """Nylon in the dryer at 60 °C since ten hours; PLA may have 50 °C (fixtures/reference/polymers.csv)."""
    return drying_runs.start_drying([spool], dryer, DryingSettings(60), at=hours_ago(10))[0]


def refused(act, field: str) -> str:
    with pytest.raises(ValidationError) as caught:
        act()
    return " ".join(caught.value.message_dict[field])


def test_nothing_moves_into_a_dryer_that_runs(hot, dryer, pla, shelf, box):
    spool = receive(pla, shelf)
    for at in (hours_ago(20), None):
        say = refused(lambda at=at: moves.move_spool(spool, dryer, at=at), "place")
        assert "60 °C" in say and "Choose another place" in say
    assert "gets as hot" in refused(
        lambda: moves.record_excursion(spool, dryer, hours_ago(12), hours_ago(9)), "place"
    )
    assert "gets as hot" in refused(lambda: receive(pla, dryer, at=hours_ago(2)), "place")
    assert not Stay.objects.filter(place=dryer).exclude(spool=hot.spool).exists()
    # Before it ran, out of it again: nothing to say against that.
    moves.record_excursion(spool, dryer, hours_ago(15), hours_ago(12))
    drying_runs.finish_drying(hot, place=box, at=hours_ago(1))
    assert "to" in refused(lambda: moves.move_spool(spool, dryer, at=hours_ago(5)), "place")
    moves.move_spool(spool, dryer, at=hours_ago(0.5))


def test_a_finished_spool_does_not_stay_in_a_dryer_in_which_others_dry(hot, dryer, nylon, shelf):
    (other,) = drying_runs.start_drying([receive(nylon, shelf)], dryer, DryingSettings(60), at=hours_ago(5))
    refused(lambda: drying_runs.finish_drying(other, place=dryer), "place")
    other.refresh_from_db()
    assert other.end is None
    drying_runs.finish_drying(other, place=shelf, at=hours_ago(2))
    drying_runs.finish_drying(hot, place=dryer, at=hours_ago(1))


def test_no_run_starts_around_a_spool_that_stands_in_the_dryer(spool, dryer, pla, shelf):
    stands = receive(pla, shelf)
    moves.move_spool(stands, dryer, at=hours_ago(5))
    for at in (None, hours_ago(20)):
        say = refused(
            lambda at=at: drying_runs.start_drying([spool], dryer, DryingSettings(45), at=at), "dryer"
        )
        assert "Take it out first" in say
    assert not DryingRun.objects.exists()
    # Started together its cap counts.
    refused(lambda: drying_runs.start_drying([spool, stands], dryer, DryingSettings(60)), "set_point_c")
    moves.move_spool(stands, shelf, at=hours_ago(4))
    assert "after that" in refused(
        lambda: drying_runs.start_drying([spool], dryer, DryingSettings(45), at=hours_ago(4.5)), "dryer"
    )
    drying_runs.start_drying([spool, stands], dryer, DryingSettings(45), at=hours_ago(3))


def test_a_spool_that_stays_after_its_run_stands_there(hot, dryer, nylon, shelf):
    assert stays_without_run([dryer], hot.start) == []
    drying_runs.finish_drying(hot, place=dryer, at=hours_ago(2))
    assert [stay.spool for stay in stays_without_run([dryer], hours_ago(1))] == [hot.spool]
    refused(
        lambda: drying_runs.start_drying([receive(nylon, shelf)], dryer, DryingSettings(60), at=hours_ago(1)),
        "dryer",
    )


def test_who_may_not_be_so_hot_is_not_told_to_join(hot, dryer, pla, nylon, shelf):
    low = receive(pla, shelf)
    for set_point_c in (40, 45):
        say = refused(
            lambda c=set_point_c: drying_runs.start_drying([low], dryer, DryingSettings(c)), "set_point_c"
        )
        assert "Join" not in say and "too hot to join" in say and "Finish that run first" in say
        assert "50 °C is the most for drying PLA" in say
    say = refused(
        lambda: drying_runs.start_drying([receive(nylon, shelf)], dryer, DryingSettings(70)), "set_point_c"
    )
    assert "Join at 60 °C" in say


def test_the_pages_refuse_it_and_show_what_stands(client, pla):
    shop = corner()
    client.force_login(shop.user)
    low = receive(pla, shop.shelf)
    (run,) = drying_runs.start_drying([shop.free], shop.dryer, DryingSettings(60), at=hours_ago(5))
    response = client.post(of("spool-move", low), {"place": shop.dryer.pk})
    assert "gets as hot" in " ".join(response.context["form"].errors["place"])
    drying_runs.finish_drying(run, place=shop.box, at=run.start + timedelta(hours=2))
    assert "Empty" in words(client.get(reverse("drying")))
    client.post(of("spool-move", low), {"place": shop.dryer.pk})
    assert moves.current_stay(low).place == shop.dryer
    said = words(client.get(reverse("drying")))
    assert "Empty" not in said and "Without a drying run these stand in it" in said
    response = client.post(
        of("spool-dry", shop.other),
        {"dryer": shop.dryer.pk, "set_point_c": "45", "planned_hours": "5", "resolution_g": "1"},
    )
    assert "Take it out first" in words(response)
    assert DryingRun.objects.count() == 1
