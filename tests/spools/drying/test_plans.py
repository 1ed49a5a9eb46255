from datetime import timedelta

import pytest
from django.utils import timezone

from spools.air.climate import heated_rh_pct, record_readings, room_airs
from spools.drying import runs as drying_runs
from spools.drying.options import PlanRequest
from spools.drying.plan_wording import format_hours
from spools.drying.plans import plan_drying, plan_each
from spools.drying.runs import DryingSettings
from spools.models import MoistureState, Place
from spools.moisture import state as moisture_state
from spools.statements import Statement
from tests.refusals import refuses
from tests.spools.conftest import feedstock, hours_ago, receive

pytestmark = pytest.mark.django_db


# Common practice, no source (checks.md, facts of the trade): nylon at 70-80 °C needs most of a day. Ours is
# until four of five thinkable spools are dry, therefore longer than the likely one.
def test_a_wet_nylon_spool_needs_most_of_a_day_and_longer_for_all_of_it_than_for_a_job(spool, dryer):
    whole, job = plan_drying(spool, dryer), plan_drying(spool, dryer, PlanRequest(mass_g=50))
    assert (whole.set_point_c, whole.cap.cap_c, whole.target_pct) == (75, 80, 0.5)
    assert 10 < whole.hours < 48
    assert 1 < job.hours < whole.hours
    assert (whole.reason.code, whole.reason.values["target_pct"]) == ("drying.dry_after", 0.5)
    assert 0 < whole.likely_h <= 0.9 * whole.hours
    assert f"{whole.likely_h:g}–{whole.hours:g} h" in whole.reason.sentence
    assert format_hours(10, 9.5) == "about 10 h"
    assert timedelta(0) <= whole.slot.start - timezone.now() + timedelta(minutes=1) < timedelta(minutes=16)
    assert whole.ready_at == whole.slot.start + timedelta(hours=whole.hours)
    assert not MoistureState.objects.exists()


def test_the_plan_keeps_its_word(spool, dryer, shelf):
    plan = plan_drying(spool, dryer)
    now = moisture_state.moisture_now(spool)
    air = room_airs([dryer])[dryer.pk]
    rh_pct = heated_rh_pct(air.temperature_c, air.rh_pct, plan.set_point_c)
    dried = now.ahead(plan.hours, plan.set_point_c, rh_pct, moving_air=True)
    assert dried.probability_over(plan.target_pct) <= 0.25
    # All but the least step of the rounding is needed, for the wettest turns.
    early = now.ahead(plan.hours - 4, plan.set_point_c, rh_pct, moving_air=True)
    assert (early.winding.wettest_pct() > 0.5).mean() > 0.2 >= (dried.winding.wettest_pct() > 0.5).mean()
    good = {good.place: good.printable_h for good in plan.stays_good}
    assert dried.ahead(good[shelf] + 1, 22, 50).probability_over(0.75, 100) > 0.2
    assert dried.ahead(good[shelf] / 2, 22, 50).probability_over(0.75, 100) <= 0.2


def test_a_drier_place_keeps_it_good_for_longer_and_dryers_are_no_places_to_keep(
    spool, dryer, shelf, box, bag
):
    record_readings(box, [(hours_ago(1), 22, 2)], origin="hand")
    stays_good = plan_drying(spool, dryer).stays_good
    good = {good.place: good.printable_h for good in stays_good}
    assert all(good.well_h is not None for good in stays_good if good.printable_h is not None)
    assert good[box] is None
    assert good[shelf] < good[bag]
    assert dryer not in good


def test_a_humid_room_puts_the_target_out_of_reach_and_says_what_would_help(spool, dryer, shelf):
    record_readings(shelf, [(hours_ago(1), 30, 95)], origin="hand")
    plan = plan_drying(spool, dryer, PlanRequest(target_pct=0.1))
    assert (plan.hours, plan.reachable, plan.ready_at) == (None, False, None)
    assert plan.floor_pct > 0.1
    values = {"temperature_c": 30, "rh_pct": 95, "set_point_c": 75, "target_pct": 0.1, "hotter_here_c": None}
    # Neither the reel of ABS nor the dryer helps: even at 90 °C this air leaves too much.
    assert plan.reason == Statement("drying.too_humid", values | {"hotter": []})
    assert plan.limited_by.code == "drying.limited_by_room"


def test_too_slow_is_told_apart_from_too_humid(spool, dryer, shelf):
    record_readings(shelf, [(hours_ago(1), 22, 5)], origin="hand")
    plan = plan_drying(spool, dryer, PlanRequest(set_point_c=30, target_pct=0.6))
    assert not plan.reachable
    assert plan.floor_pct < 0.6
    assert (plan.reason.code, plan.reason.values["hours"]) == ("drying.too_slow", 96)


def test_a_dry_spool_needs_no_drying(pla, dryer, bag):
    plan = plan_drying(receive(pla, bag, card="dry"), dryer)
    assert (plan.hours, plan.reachable) == (0, True)
    assert plan.reason.code == "drying.dry_already"


def test_a_running_dryer_is_joined_at_its_set_point(nylon, shelf, dryer):
    dryer.spool_capacity = 2
    drying_runs.start_drying([receive(nylon, shelf)], dryer, DryingSettings(75, planned_hours=30))
    # Little enough that it keeps to the heat of one run.
    shared = plan_drying(receive(nylon, shelf, net_mass_g=300), dryer)
    assert (shared.set_point_c, shared.limited_by.code) == (75, "drying.limited_by_sharing")


def test_a_running_dryer_is_waited_for_by_one_that_may_not_join(nylon, pla, shelf, dryer):
    inside = receive(nylon, shelf)
    (run,) = drying_runs.start_drying([inside], dryer, DryingSettings(62, planned_hours=5))
    cool = plan_drying(receive(pla, shelf, sealed=False), dryer)
    assert (cool.set_point_c, cool.cap.cap_c) == (45, 50)
    assert cool.slot.wait_for == [inside.code] and cool.slot.start >= run.planned_end
    assert cool.ready_at == cool.slot.start + timedelta(hours=cool.hours)


def test_impossible_plans_are_refused(spool, dryer, shelf):
    for values, code, names in (
        ({"set_point_c": 85}, "above_cap", ["80 °C", "ABS"]),
        ({"mass_g": -1}, "out_of_range", []),
        ({"target_pct": float("nan")}, "out_of_range", []),
    ):
        with refuses(code, *values, names=names):
            plan_drying(spool, dryer, PlanRequest(**values))
    with refuses("not_a_dryer"):
        plan_drying(spool, shelf)


def test_many_plans_agree_with_single_ones_in_a_fixed_number_of_queries(
    nylon, pla, shelf, box, dryer, django_assert_max_num_queries
):
    small = Place.objects.create(name="Small", kind="dryer", max_set_point_c=55)
    spools = [receive(f, p) for f in (nylon, pla, feedstock("PETG")) for p in (shelf, box)]
    pairs = [(spool, place) for spool in spools for place in (dryer, small)]
    at = timezone.now()
    with django_assert_max_num_queries(20):
        plans = plan_each(pairs, at=at)
    for (spool, place), plan in list(zip(pairs, plans, strict=True))[::5]:
        assert plan_drying(spool, place, at=at) == plan
