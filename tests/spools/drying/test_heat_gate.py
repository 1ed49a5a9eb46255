"""No spool gets into a dryer's heat past the check of its cap: on no path, and not by standing there."""

from datetime import timedelta

import pytest
from django.urls import reverse

from spools.codes import pretty
from spools.drying import runs as drying_runs
from spools.drying.gate import stays_without_run
from spools.drying.runs import DryingSettings
from spools.inventory import moves
from spools.models import DryingRun, Stay
from spools.wording import format_time
from tests.pages.corner import corner, of
from tests.pages.shown import notes, require_refused, shows
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive

pytestmark = pytest.mark.django_db


@pytest.fixture
def hot(spool, dryer) -> DryingRun:
    """Nylon in the dryer at 60 °C since ten hours; PLA may have 50 °C (fixtures/reference/polymers.csv)."""
    return drying_runs.start_drying([spool], dryer, DryingSettings(60), at=hours_ago(10))[0]


def test_nothing_moves_into_a_dryer_that_runs(hot, dryer, pla, shelf, box):
    spool = receive(pla, shelf)
    for at in (hours_ago(20), None):
        with refuses("dryer_in_use", "place", names=["60 °C"]):
            moves.move_spool(spool, dryer, at=at)
    with refuses("dryer_in_use", "place"):
        moves.record_excursion(spool, dryer, hours_ago(12), hours_ago(9))
    with refuses("dryer_in_use", "place"):
        receive(pla, dryer, at=hours_ago(2))
    assert not Stay.objects.filter(place=dryer).exclude(spool=hot.spool).exists()
    # Before it ran, out of it again: nothing to say against that.
    moves.record_excursion(spool, dryer, hours_ago(15), hours_ago(12))
    drying_runs.finish_drying(hot, place=box, at=hours_ago(1))
    with refuses("dryer_in_use", "place", names=[format_time(hours_ago(1))]):
        moves.move_spool(spool, dryer, at=hours_ago(5))
    moves.move_spool(spool, dryer, at=hours_ago(0.5))


def test_a_finished_spool_does_not_stay_in_a_dryer_in_which_others_dry(hot, dryer, nylon, shelf):
    (other,) = drying_runs.start_drying([receive(nylon, shelf)], dryer, DryingSettings(60), at=hours_ago(5))
    with refuses("dryer_in_use", "place"):
        drying_runs.finish_drying(other, place=dryer)
    other.refresh_from_db()
    assert other.end is None
    drying_runs.finish_drying(other, place=shelf, at=hours_ago(2))
    drying_runs.finish_drying(hot, place=dryer, at=hours_ago(1))


def test_no_run_starts_around_a_spool_that_stands_in_the_dryer(spool, dryer, pla, shelf):
    stands = receive(pla, shelf)
    moves.move_spool(stands, dryer, at=hours_ago(5))
    for at in (None, hours_ago(20)):
        with refuses("spool_in_dryer", "dryer", names=[pretty(stands.code)]):
            drying_runs.start_drying([spool], dryer, DryingSettings(45), at=at)
    assert not DryingRun.objects.exists()
    # Started together its cap counts.
    with refuses("above_cap", "set_point_c"):
        drying_runs.start_drying([spool, stands], dryer, DryingSettings(60))
    moves.move_spool(stands, shelf, at=hours_ago(4))
    with refuses("spool_in_dryer_then", "dryer", names=[format_time(hours_ago(4))]):
        drying_runs.start_drying([spool], dryer, DryingSettings(45), at=hours_ago(4.5))
    drying_runs.start_drying([spool, stands], dryer, DryingSettings(45), at=hours_ago(3))


def test_a_spool_that_stays_after_its_run_stands_there(hot, dryer, nylon, shelf):
    assert stays_without_run([dryer], hot.start) == []
    drying_runs.finish_drying(hot, place=dryer, at=hours_ago(2))
    assert [stay.spool for stay in stays_without_run([dryer], hours_ago(1))] == [hot.spool]
    with refuses("spool_in_dryer", "dryer"):
        drying_runs.start_drying([receive(nylon, shelf)], dryer, DryingSettings(60), at=hours_ago(1))


def test_who_may_not_be_so_hot_is_not_told_to_join(hot, dryer, pla, nylon, shelf):
    low = receive(pla, shelf)
    for set_point_c in (40, 45):
        with refuses("too_hot_to_join", "set_point_c", names=["60 °C", "50 °C", "PLA"]):
            drying_runs.start_drying([low], dryer, DryingSettings(set_point_c))
    with refuses("other_set_point", "set_point_c", names=["60 °C"]):
        drying_runs.start_drying([receive(nylon, shelf)], dryer, DryingSettings(70))


def test_the_pages_refuse_it_and_show_what_stands(client, pla):
    shop = corner()
    client.force_login(shop.user)
    low = receive(pla, shop.shelf)
    (run,) = drying_runs.start_drying([shop.free], shop.dryer, DryingSettings(60), at=hours_ago(5))
    response = client.post(of("spool-move", low), {"place": shop.dryer.pk})
    require_refused(response, "dryer_in_use", "place")
    drying_runs.finish_drying(run, place=shop.box, at=run.start + timedelta(hours=2))
    assert "empty" in notes(client.get(reverse("drying")))
    client.post(of("spool-move", low), {"place": shop.dryer.pk})
    assert moves.current_stay(low).place == shop.dryer
    overview = client.get(reverse("drying"))
    assert "empty" not in notes(overview) and shows(overview, pretty(low.code), note="stands")
    response = client.post(
        of("spool-dry", shop.other),
        {"dryer": shop.dryer.pk, "set_point_c": "45", "planned_hours": "5", "resolution_g": "1"},
    )
    require_refused(response, "spool_in_dryer")
    assert DryingRun.objects.count() == 1
