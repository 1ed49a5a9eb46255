"""The texts of a drying plan that cannot start, is not needed or was requested in vain."""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from spools.drying.forecast import estimate_dry_times
from spools.drying.heat_budget import run_share
from spools.drying.options import PlanRequest
from spools.drying.plan_statements import short_run_caution
from spools.drying.plans import plan_drying
from spools.drying.runs import DryingSettings, heat_caution, start_drying
from spools.inventory.moves import mark_empty, move_spool
from spools.models import DryingRun
from spools.moisture.state import moisture_of
from tests.pages.corner import corner, of, words
from tests.pages.shown import notes
from tests.spools.conftest import feedstock, hours_ago, receive


@pytest.fixture
def shop(db):
    return corner()


@pytest.fixture
def desk(shop) -> Client:
    client = Client()
    client.force_login(shop.user)
    return client


def test_no_time_is_promised_for_a_plan_that_cannot_start(shop, desk):
    start_drying([shop.free], shop.dryer, DryingSettings(70), at=hours_ago(2))
    low = receive(feedstock("PLA"), shop.shelf)
    plan = plan_drying(low, shop.dryer)
    run = DryingRun.objects.get()
    assert "too hot to join" in plan.blocked and plan.slot.start >= run.planned_end < plan.ready_at
    assert plan.slot.wait_for == [shop.free.code]
    for query in ({}, {"dryer": shop.dryer.pk}):
        text = words(desk.get(of("spool-dry", low), query))
        assert "It cannot start so now. Oven A dries spool" in text and "if it starts now" not in text
    # A spool that may be so hot joins, where there is room.
    shop.dryer.spool_capacity = 2
    assert plan_drying(shop.other, shop.dryer).blocked == ""


def test_no_time_is_promised_for_what_dries_already_is_empty_or_would_heat_another(shop, desk):
    start_drying([shop.free], shop.dryer, DryingSettings(70), at=hours_ago(2))
    assert "is drying in Oven A since" in plan_drying(shop.free, shop.dryer).blocked
    assert "if it starts now" not in words(desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk}))
    empty = mark_empty(shop.other)
    assert "was marked empty" in plan_drying(empty, shop.dryer).blocked
    DryingRun.objects.all().delete()
    low = receive(feedstock("PLA"), shop.shelf)
    assert "stands in Oven A" in plan_drying(low, shop.dryer).blocked
    move_spool(shop.free, shop.shelf)
    plan = plan_drying(low, shop.dryer)
    assert plan.blocked == "" and plan.ready_at is not None


def test_a_dry_spool_needs_no_drying(shop, desk):
    dry = receive(shop.nylon, shop.bag, card="dry", at=hours_ago(2))
    plan = plan_drying(dry, shop.dryer, PlanRequest(target_pct=5))
    assert plan.hours == 0
    type(shop.nylon).objects.update(limit_clear_pct=6, limit_hold_pct=7)
    text = words(desk.get(of("spool-dry", dry), {"dryer": shop.dryer.pk}))
    assert "Needs no drying." in text and "if it starts now" not in text


def test_a_wish_in_vain_is_refused_at_the_top(shop, desk):
    text = words(desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk, "set_point_c": "95"}))
    assert text.index("Not planned as asked.") < text.index(
        "Set point First" if "Set point First" in text else "Floor"
    )
    assert "95 °C is too hot" in text
    for mass_g in ("-5", "50000"):
        text = words(desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk, "mass_g": mass_g}))
        assert "Not planned as asked." in text and "in the outer" not in text


def test_more_heat_is_sought_here_before_elsewhere(shop, desk):
    response = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk, "set_point_c": "30"})
    text = words(response)
    assert not response.context["plan"].reachable
    assert "run it hotter here: up to 75 °C" in text and "may run hotter." not in text
    assert "Then it stays good" not in text


def test_a_first_stage_is_never_dropped_in_silence(shop, desk):
    data = {"dryer": shop.dryer.pk, "set_point_c": "40", "planned_hours": "11", "resolution_g": "1"}
    staged = data | {"first_set_point_c": "44", "first_hours": "2"}
    response = desk.post(of("spool-dry", shop.free), staged)
    assert "cooler than the 40 °C" in " ".join(response.context["form"].errors["first_set_point_c"])
    assert not DryingRun.objects.exists()
    reason = {"first_set_point_c": "35", "override_reason": "a trial"}
    desk.post(of("spool-dry", shop.free), staged | reason)
    assert DryingRun.objects.get().first_set_point_c == 35


def test_a_second_start_of_the_same_spools_names_the_drying_spool(shop, desk):
    page = reverse("drying-start", args=[shop.dryer.pk])
    data = {"spools": [shop.free.pk, shop.other.pk], "planned_hours": "5", "resolution_g": "1"}
    desk.post(page, data)
    assert DryingRun.objects.count() == 2
    text = words(desk.post(page, data))
    assert "is drying in Oven A already, since" in text and "not one of the available" not in text
    assert DryingRun.objects.count() == 2
    text = words(desk.get(page, {"spools": shop.free.pk}))
    assert "There is no plan yet." in text and "Nothing was saved" not in text


def test_an_option_that_only_the_dryers_error_forbids_shows_that_reason(shop, desk):
    pva = receive(feedstock("PVA"), shop.shelf, core_material="pc", net_mass_g=1000)
    whys = {option.set_point_c: option.why for option in plan_drying(pva, shop.dryer).options}
    assert not any(why is not None and why.code == "drying.too_soft" for c, why in whys.items() if c <= 45)


def test_too_few_hours_and_too_much_heat_are_shown_when_a_run_starts(shop, desk):
    data = {"dryer": shop.dryer.pk, "set_point_c": "77", "resolution_g": "1"}
    text = words(desk.post(of("spool-dry", shop.free), data | {"planned_hours": "2"}, follow=True))
    assert "After the planned 2 h it is likely not below" in text and "Too much heat" not in text
    assert "is likely dry enough only from" in text
    page = reverse("drying-start", args=[shop.dryer.pk])
    data = {"spools": shop.other.pk, "set_point_c": "77", "planned_hours": "300", "resolution_g": "1"}
    text = words(desk.post(page, data, follow=True))
    assert DryingRun.objects.filter(spool=shop.other).exists()
    assert text.count("Too much heat for one run") == 1
    assert "drying.take_out_by" in notes(desk.get(reverse("drying")))


def test_the_hours_of_the_caution_are_those_of_the_budget(shop):
    (run,) = start_drying([shop.free], shop.dryer, DryingSettings(77, planned_hours=300))
    caution = heat_caution(run)
    hours = caution.values["hours"]
    assert run_share(shop.free, [(77, hours)]) <= 1 < run_share(shop.free, [(77, hours + 1)])
    run.first_set_point_c, run.first_hours = 70, 5
    hours = heat_caution(run).values["hours"]
    assert run_share(shop.free, [(70, 5), (77, hours - 5)]) <= 1
    assert run_share(shop.free, [(70, 5), (77, hours - 4)]) > 1
    run.planned_hours = hours
    assert heat_caution(run) is None


def test_a_run_with_the_planned_hours_gets_no_caution(shop):
    plan = plan_drying(shop.free, shop.dryer, PlanRequest(set_point_c=75))
    assert short_run_caution(plan, plan.hours) is None
    assert short_run_caution(plan, plan.hours - 1).code == "drying.run_is_short"
    (run,) = start_drying([shop.free], shop.dryer, DryingSettings(75, planned_hours=plan.hours))
    now = timezone.now()
    (dry_at,) = estimate_dry_times([(run, moisture_of([shop.free], now)[shop.free.pk].winding)], now)
    # The same physics, asked for in two ways.
    assert abs(dry_at - plan.ready_at) < timedelta(minutes=31)
