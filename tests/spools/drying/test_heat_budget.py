"""Heat hours of spools: polyamides have a budget, the others none; plans heed it."""

import pytest
from django.utils import timezone

from spools.drying import heat_budget
from spools.drying import runs as drying_runs
from spools.drying.heat_budget import Heat, compute_heat
from spools.drying.options import PlanRequest
from spools.drying.plans import plan_drying
from spools.drying.runs import DryingSettings
from spools.models import Polymer
from spools.moisture.state import moisture_now
from spools.statements import Statement
from tests.spools.conftest import feedstock, hours_ago, receive
from tests.spools.drying.test_stages import with_code

pytestmark = pytest.mark.django_db


def test_only_polyamides_have_a_budget():
    names = ["PA6", "PA66", "PA6/66", "PA12", "PA11", "PPA"]
    assert all(heat_budget.is_polyamide(Polymer(name=name)) for name in names)
    assert not any(
        heat_budget.is_polyamide(Polymer(name=name)) for name in ["PAEK", "PLA", "PEEK", "PC", "TPU 85A"]
    )


def test_the_runs_of_the_past_count_at_their_set_points_and_those_that_go_on_until_now(spool, dryer, box):
    (run,) = drying_runs.start_drying([spool], dryer, DryingSettings(80), at=hours_ago(60))
    drying_runs.finish_drying(run, place=box, at=hours_ago(40))
    drying_runs.start_drying(
        [spool],
        dryer,
        DryingSettings(70, first_set_point_c=60, first_hours=10, planned_hours=30),
        at=hours_ago(19),
    )
    moisture = moisture_now(spool)
    found = compute_heat(spool, moisture.history.runs, moisture.at)
    # A third of the share for each 10 K less, as the table's line from 90 to 80 °C goes on.
    assert found.life_share == pytest.approx(0.2 + 0.09 / 3 + 0.1 / 9, abs=1e-3)
    assert found.hours == pytest.approx(39, abs=0.1) == moisture.heat_hours
    assert compute_heat(spool, moisture.history.runs, hours_ago(50)).life_share == pytest.approx(0.1)
    assert compute_heat(spool, moisture.history.runs, hours_ago(70)) == Heat(0, 0)


def test_a_spool_without_a_budget_has_hours_alone(pla, shelf, dryer):
    spool = receive(pla, shelf)
    drying_runs.start_drying([spool], dryer, DryingSettings(45), at=hours_ago(5))
    found = compute_heat(spool, list(spool.drying_runs.all()), timezone.now())
    assert (found.life_share, found.caution) == (None, None)
    assert found.hours == pytest.approx(5, abs=0.1)
    assert {option.run_share for option in plan_drying(spool, dryer).options} == {None}


@pytest.mark.parametrize(
    ("share", "code"),
    [
        (0.49, None),
        (0.5, "drying.much_heat_used"),
        (0.99, "drying.much_heat_used"),
        (1.0, "drying.all_heat_used"),
    ],
)
def test_a_caution_comes_at_half_and_at_all_of_the_budget(share, code):
    caution = Heat(50, share).caution
    assert caution == (None if code is None else Statement(code, {"share": share}))


def test_a_plan_tells_its_share_of_a_run_and_of_the_life_after_it(spool, dryer, box):
    # With some codes no set point suffices, and then no share is known.
    with_code(spool, "JGFNKH")
    start, end = hours_ago(100), hours_ago(40)
    (run,) = drying_runs.start_drying([spool], dryer, DryingSettings(80), at=start)
    drying_runs.finish_drying(run, place=box, at=end)
    plan = plan_drying(spool, dryer, PlanRequest(target_pct=0.3))
    assert plan.heat.life_share == pytest.approx(0.6)
    assert plan.life_share == pytest.approx(0.6 + plan.option.run_share * 24 / 100)
    assert "drying.life_heat" in [note.code for note in plan.notes]


def test_a_plan_that_passes_a_runs_budget_says_so_and_offers_a_gentler_way(nylon, shelf, dryer):
    dryer.set_point_error_c = 0
    spool = with_code(receive(nylon, shelf, sealed=False), "JGFNKH")
    hot = plan_drying(spool, dryer, PlanRequest(set_point_c=80, target_pct=0.25))
    over = [note for note in hot.notes if note.code == "drying.too_much_heat"]
    assert hot.option.run_share > 1
    ways_out = over[0].values
    assert (ways_out["gentler"] is None) == bool(ways_out["runs"])
    short = plan_drying(spool, dryer, PlanRequest(set_point_c=80, mass_g=50))
    assert short.option.run_share < hot.option.run_share and short.option.run_share < 1


def test_the_gentler_way_is_a_cooler_one_where_that_is_enough(shelf, dryer):
    dryer.set_point_error_c = 0
    spool = receive(
        feedstock("PPA"),
        shelf,
        core_material="pc",
        sealed=False,
    )
    plan = plan_drying(spool, dryer, PlanRequest(set_point_c=90))
    for option in plan.options:
        if option.hours is not None:
            assert option.run_share == pytest.approx(
                heat_budget.run_share(spool, [(option.set_point_c, option.hours)])
            )
    over = [note for note in plan.notes if note.code == "drying.too_much_heat"]
    assert plan.option.run_share > 1 and over[0].values["gentler"]["set_point_c"] == 80
    best = plan_drying(spool, dryer)
    assert best.option.run_share <= 1
    assert best.option.why.code == "drying.chosen_as_usual_is_too_much_heat"
