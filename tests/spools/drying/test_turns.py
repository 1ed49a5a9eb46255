"""Dryings of a job's turns alone, where all of a spool takes too long: the goal of a run, its end, its weighing."""

from datetime import timedelta

import pytest
from django.utils import timezone

from spools.drying.advice import DRY, IN_RUN, UNREACHABLE, advise
from spools.drying.dryers import load_dryers
from spools.drying.options import LONGEST_WHOLE_H, PlanRequest
from spools.drying.plans import plan_drying
from spools.drying.runs import DryingSettings, finish_drying
from spools.drying.starts import start_as_asked
from spools.drying.week.requests import add_print_request
from spools.inventory.ledger import remaining
from spools.models import Spool
from spools.moisture.state import moisture_of
from spools.physics_inputs import DOUBT
from tests.refusals import refuses
from tests.spools.conftest import feedstock, hours_ago, receive

pytestmark = pytest.mark.django_db

MASS_G = 50.0


@pytest.fixture
def pva(shelf) -> Spool:
    """A kilogram that stood in the room for three months, on a reel that stands the heat."""
    return receive(feedstock("PVA"), shelf, sealed=False, core_material="pc", at=hours_ago(2160))


def start_turns(spool, dryer, **settings):
    plan = plan_drying(spool, dryer, PlanRequest(mass_g=MASS_G))
    assert plan.reachable and plan.first is None
    [run] = start_as_asked(
        [spool], dryer, DryingSettings(plan.set_point_c, masses_g={spool.pk: MASS_G}, **settings)
    )
    return plan, run


def test_a_run_for_the_outer_turns_is_ready_once_these_are_dry(pva, dryer):
    with refuses("on_hold", "override_reason"):
        start_as_asked([pva], dryer, DryingSettings(35))
    plan, run = start_turns(pva, dryer)
    assert (run.mass_g, run.hold, run.planned_hours) == (MASS_G, None, plan.hours)
    at = timezone.now()
    advice = advise(moisture_of([pva], at), load_dryers(at))[pva.pk]
    assert advice.kind == IN_RUN
    assert advice.drying.ready_at is not None
    assert "drying.never_dry" not in [caution.code for caution in advice.cautions]


def test_a_weighing_after_the_outer_turns_does_not_count_all_of_it_as_dry(pva, dryer, shelf):
    _, run = start_turns(pva, dryer)
    type(run).objects.filter(pk=run.pk).update(start=hours_ago(15))
    finish_drying(run, place=shelf, gross_g=1200)
    assert "amount_reason.dried" not in [why.code for why in remaining(pva).why]


@pytest.mark.parametrize("mass_g", [-1.0, float("nan")])
def test_a_mass_outside_the_limits_is_refused(pva, dryer, mass_g):
    with refuses("out_of_range", "mass_g"):
        start_as_asked([pva], dryer, DryingSettings(35, masses_g={pva.pk: mass_g}))


def advice_for(spool, at=None):
    at = at or timezone.now()
    return advise(moisture_of([spool], at), load_dryers(at))[spool.pk]


def test_where_all_of_it_takes_too_long_the_advice_is_to_dry_the_turns_of_a_small_job(pva, dryer):
    at = timezone.now()
    advice = advice_for(pva, at)
    assert (advice.kind, advice.mass_g) == (DRY, MASS_G)
    plan = plan_drying(pva, dryer, at=at)
    assert plan.mass_g == MASS_G
    assert (advice.drying.stages, advice.drying.ready_at) == (plan.stages, plan.ready_at)
    assert advice.cautions == plan.notes
    assert "drying.inside_stays_damp" in [caution.code for caution in advice.cautions]
    assert advice.well_h >= 0.5, "there is time to start the print"
    asked = plan_drying(pva, dryer, PlanRequest(mass_g=MASS_G), at=at)
    assert (asked.stages, asked.hours) == (plan.stages, plan.hours)


def test_all_of_it_is_dried_where_that_takes_two_days_at_most(spool, dryer):
    advice = advice_for(spool)
    assert (advice.kind, advice.mass_g) == (DRY, None)
    assert advice.drying.hours <= LONGEST_WHOLE_H


def test_the_print_that_is_requested_sets_the_grams(pva, dryer):
    add_print_request(pva, 80, timezone.now() + timedelta(hours=100))
    assert advice_for(pva).mass_g == 80
    add_print_request(pva, 60, timezone.now() + timedelta(hours=50))
    assert advice_for(pva).mass_g == 60


def test_a_requested_print_of_all_of_it_is_no_job_for_its_turns(pva, dryer):
    add_print_request(pva, 1000, timezone.now() + timedelta(hours=100))
    assert advice_for(pva).kind == UNREACHABLE


def test_after_the_advised_drying_the_turns_print_well_and_are_not_dried_again(pva, dryer, shelf):
    advice = advice_for(pva)
    [(set_point_c, hours)] = advice.drying.stages
    start = hours_ago(hours)
    [run] = start_as_asked(
        [pva], dryer, DryingSettings(set_point_c, masses_g={pva.pk: advice.mass_g}), at=start
    )
    assert run.hold is None
    finish_drying(run, place=shelf, at=start + timedelta(hours=run.planned_hours))
    state = moisture_of([pva], timezone.now())[pva.pk]
    limit_pct = pva.feedstock.polymer.limit_clear_pct
    assert state.probability_over(limit_pct, MASS_G) <= DOUBT
    after = advice_for(pva)
    assert after.mass_g is None
    assert "drying.outside_is_dry" in [caution.code for caution in after.cautions]
