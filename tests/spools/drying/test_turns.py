"""Dryings of a job's turns alone, where all of a spool takes too long: the goal of a run, its end, its weighing."""

import pytest
from django.utils import timezone

from spools.drying.advice import IN_RUN, advise
from spools.drying.dryers import load_dryers
from spools.drying.options import PlanRequest
from spools.drying.plans import plan_drying
from spools.drying.runs import DryingSettings, finish_drying
from spools.drying.starts import start_as_asked
from spools.inventory.ledger import remaining
from spools.models import Spool
from spools.moisture.state import moisture_of
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
