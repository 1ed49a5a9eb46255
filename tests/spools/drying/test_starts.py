"""Starts as a person asks for them: hours anew for each set point, and a reason for a run in vain."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from spools.drying.options import PlanRequest, next_quarter
from spools.drying.plans import plan_drying
from spools.drying.runs import DryingSettings, start_drying
from spools.drying.starts import start_as_asked
from spools.drying.week.starts import start_planned
from spools.models import DryingRun
from tests.refusals import refuses
from tests.spools.conftest import receive
from tests.spools.drying.test_advice import accept

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("set_point_c", [70, 75, 77])
def test_hours_are_those_of_the_set_point_that_is_asked_for(spool, dryer, set_point_c):
    plan = plan_drying(spool, dryer, PlanRequest(set_point_c=set_point_c))
    [run] = start_as_asked([spool], dryer, DryingSettings(set_point_c))
    assert (run.set_point_c, run.planned_hours) == (set_point_c, plan.hours)
    assert (run.hold, run.override_reason) == (None, "")


def test_each_spool_has_its_own_hours_and_those_that_are_given_outrank_them(nylon, shelf, dryer):
    full, low = receive(nylon, shelf), receive(nylon, shelf, net_mass_g=150)
    slow, quick = start_as_asked([full, low], dryer, DryingSettings(75))
    assert quick.planned_hours < slow.planned_hours
    DryingRun.objects.all().delete()
    runs = start_as_asked([full, low], dryer, DryingSettings(75, planned_hours=5))
    assert {run.planned_hours for run in runs} == {5}


def test_the_turns_of_a_job_take_less(spool, dryer):
    whole = plan_drying(spool, dryer, PlanRequest(set_point_c=75)).hours
    [run] = start_as_asked([spool], dryer, DryingSettings(75, masses_g={spool.pk: 50}))
    assert run.planned_hours < whole


def test_a_run_in_vain_is_a_hold_that_needs_a_reason_and_keeps_both(spool, dryer, shelf):
    with refuses("on_hold", "override_reason"):
        start_as_asked([spool], dryer, DryingSettings(40))
    assert not DryingRun.objects.exists()
    with refuses("too_long", "override_reason"):
        start_as_asked([spool], dryer, DryingSettings(40, override_reason="x" * 301))
    [run] = start_as_asked([spool], dryer, DryingSettings(40, override_reason=" a trial "))
    run.refresh_from_db()
    assert run.hold.code.startswith("drying.too_")
    assert run.override_reason == "a trial"


def test_the_database_wants_the_reason_too(spool, dryer):
    [run] = start_as_asked([spool], dryer, DryingSettings(40, override_reason="a trial"))
    run.override_reason = ""
    with pytest.raises(IntegrityError), transaction.atomic():
        run.save()


def test_a_reason_without_a_hold_is_not_stored(spool, dryer):
    [run] = start_as_asked([spool], dryer, DryingSettings(75, override_reason="just so"))
    assert (run.hold, run.override_reason) == (None, "")


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"set_point_c": float("nan")}, "set_point_c"),
        ({"set_point_c": 85}, "set_point_c"),
        ({"set_point_c": 70, "first_set_point_c": float("inf"), "first_hours": 2}, "first_set_point_c"),
        ({"set_point_c": 70, "first_set_point_c": 50, "first_hours": -1}, "first_hours"),
    ],
)
def test_the_gate_refuses_as_ever(spool, dryer, values, field):
    with pytest.raises(ValidationError) as refused:
        start_as_asked([spool], dryer, DryingSettings(**values, override_reason="all the same"))
    assert list(refused.value.message_dict) == [field]


def test_put_in_starts_exactly_the_accepted_stages_and_hours(nylon, shelf, dryer):
    one, two = receive(nylon, shelf), receive(nylon, shelf)
    start = next_quarter(timezone.now())
    planned = [accept(one, dryer, start, 40, set_point_c=75), accept(two, dryer, start, 30, set_point_c=75)]
    runs = start_planned(planned)
    assert [(run.set_point_c, run.planned_hours) for run in runs] == [(75, 40), (75, 30)]
    for row, run in zip(planned, runs, strict=True):
        row.refresh_from_db()
        assert row.run == run
    with refuses("not_planned"):
        start_planned(planned)


def test_put_in_beside_a_spool_that_stands_less_heat_says_why_not(spool, pla, shelf, dryer):
    planned = accept(spool, dryer, next_quarter(timezone.now()), 23.75, set_point_c=77)
    start_drying([receive(pla, shelf)], dryer, DryingSettings(45))
    with refuses("above_cap", "set_point_c"):
        start_planned([planned])
    planned.refresh_from_db()
    assert planned.run is None
    assert not DryingRun.objects.filter(spool=spool).exists()


def test_a_planned_drying_that_no_longer_suffices_is_a_hold(spool, shelf, dryer):
    planned = accept(spool, dryer, next_quarter(timezone.now()) + timedelta(hours=1), 20, set_point_c=50)
    shelf.assumed_rh_pct = 95
    shelf.save()
    with refuses("on_hold", "override_reason"):
        start_planned([planned])
    [run] = start_planned([planned], override_reason="it rains")
    assert (run.set_point_c, run.planned_hours) == (50, 20)
