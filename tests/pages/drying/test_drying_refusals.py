"""The page of a drying plan that cannot start, is not needed or was requested in vain."""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from pages.templatetags.spoken import band
from spools.codes import pretty
from spools.drying.forecast import estimate_dry_times
from spools.drying.heat_budget import run_share
from spools.drying.options import PlanRequest
from spools.drying.plan_statements import short_run_caution
from spools.drying.plans import plan_drying
from spools.drying.runs import DryingSettings, heat_caution, start_drying
from spools.inventory.endings import end_spool
from spools.inventory.moves import move_spool
from spools.models import DryingRun, SpoolBoard
from spools.moisture.state import moisture_of
from spools.statements import Statement
from spools.wording import format_number
from tests.pages.corner import corner, of
from tests.pages.shown import notes, notices, require_refused, shows
from tests.refusals import codes_of
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
    assert codes_of(plan.blocked) == ["too_hot_to_join"]
    assert plan.slot.start >= run.planned_end < plan.ready_at
    assert plan.slot.wait_for == [shop.free.code]
    for query in ({}, {"dryer": shop.dryer.pk}):
        page = desk.get(of("spool-dry", low), query)
        assert shows(page, "Oven A", pretty(shop.free.code), "70 °C", note="blocked")
        assert "starts_now" not in notes(page)
    # A spool that may be so hot joins, where there is room.
    shop.dryer.spool_capacity = 2
    assert plan_drying(shop.other, shop.dryer).blocked is None


def test_no_time_is_promised_for_what_dries_already_is_empty_or_would_heat_another(shop, desk):
    start_drying([shop.free], shop.dryer, DryingSettings(70), at=hours_ago(2))
    assert codes_of(plan_drying(shop.free, shop.dryer).blocked) == ["drying_already"]
    page = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk})
    assert "blocked" in notes(page) and "starts_now" not in notes(page)
    empty = end_spool(shop.other)
    assert codes_of(plan_drying(empty, shop.dryer).blocked) == ["spool_ended"]
    DryingRun.objects.all().delete()
    low = receive(feedstock("PLA"), shop.shelf)
    assert codes_of(plan_drying(low, shop.dryer).blocked) == ["spool_in_dryer"]
    move_spool(shop.free, shop.shelf)
    plan = plan_drying(low, shop.dryer)
    assert plan.blocked is None and plan.ready_at is not None
    page = desk.get(of("spool-dry", low), {"dryer": shop.dryer.pk})
    assert "starts_now" in notes(page) and "blocked" not in notes(page)


def test_a_dry_spool_needs_no_drying(shop, desk):
    dry = receive(shop.nylon, shop.bag, card="dry", at=hours_ago(2))
    plan = plan_drying(dry, shop.dryer, PlanRequest(target_pct=5))
    assert plan.hours == 0
    type(shop.nylon).objects.update(limit_clear_pct=6, limit_hold_pct=7)
    keys = notes(desk.get(of("spool-dry", dry), {"dryer": shop.dryer.pk}))
    assert {"needs_no_drying", "drying.dry_already"} <= keys and "starts_now" not in keys


def test_a_wish_in_vain_is_refused_at_the_top(shop, desk):
    page = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk, "set_point_c": "95"})
    require_refused(page, "above_cap", "set_point_c", names=["95 °C"])
    html = page.content.decode()
    assert html.index('data-note="not_planned"') < html.index('data-note="set_point"')
    for mass_g, outer in (("-5", False), ("50000", False), ("50", True)):
        keys = notes(desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk, "mass_g": mass_g}))
        assert ("not_planned" in keys, "outer" in keys) == (not outer, outer)


def test_more_heat_is_sought_here_before_elsewhere(shop, desk):
    response = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk, "set_point_c": "30"})
    plan = response.context["plan"]
    assert not plan.reachable and plan.reason.values["hotter_here_c"] == 90
    assert shows(response, "90 °C", note=plan.reason.code)
    assert "stays_good" not in notes(response)


def test_a_first_stage_is_never_dropped_in_silence(shop, desk):
    data = {"dryer": shop.dryer.pk, "set_point_c": "40", "planned_hours": "11", "resolution_g": "1"}
    staged = data | {"first_set_point_c": "44", "first_hours": "2"}
    response = desk.post(of("spool-dry", shop.free), staged)
    require_refused(response, "first_stage_hotter", "first_set_point_c", names=["40 °C"])
    assert not DryingRun.objects.exists()
    reason = {"first_set_point_c": "35", "override_reason": "a trial"}
    desk.post(of("spool-dry", shop.free), staged | reason)
    assert DryingRun.objects.get().first_set_point_c == 35


def test_a_second_start_of_the_same_spools_names_the_drying_spool(shop, desk):
    page = reverse("drying-start", args=[shop.dryer.pk])
    data = {"spools": [shop.free.pk, shop.other.pk], "planned_hours": "5", "resolution_g": "1"}
    desk.post(page, data)
    assert DryingRun.objects.count() == 2
    again = desk.post(page, data)
    require_refused(again, "drying_already", "spools", names=["Oven A", pretty(shop.free.code)])
    errors = again.context["plan_form"].errors.as_data()
    assert [error.code for error in errors["spools"]] == ["drying_already"]
    assert DryingRun.objects.count() == 2
    keys = notes(desk.get(page, {"spools": shop.free.pk}))
    assert "no_plan" in keys and "not_saved" not in keys


def test_an_option_that_only_the_dryers_error_forbids_shows_that_reason(shop, desk):
    pva = receive(feedstock("PVA"), shop.shelf, core_material="pc", net_mass_g=1000)
    whys = {option.set_point_c: option.why for option in plan_drying(pva, shop.dryer).options}
    assert not any(why is not None and why.code == "drying.too_soft" for c, why in whys.items() if c <= 41)


def test_too_few_hours_and_too_much_heat_are_shown_when_a_run_starts(shop, desk):
    data = {"dryer": shop.dryer.pk, "set_point_c": "77", "resolution_g": "1"}
    page = desk.post(of("spool-dry", shop.free), data | {"planned_hours": "2"}, follow=True)
    assert notices(page) == ["success", "drying.run_is_short warning"]
    assert shows(page, "2 h", note="notice")
    cautions = [Statement.from_data(data) for data in page.context["board"].advice.values["cautions"]]
    assert "drying.leave_in_until" in [caution.code for caution in cautions]
    assert shows(page, *(caution.sentence for caution in cautions), note="drying_now")
    page = reverse("drying-start", args=[shop.dryer.pk])
    data = {"spools": shop.other.pk, "set_point_c": "77", "planned_hours": "300", "resolution_g": "1"}
    response = desk.post(page, data, follow=True)
    assert DryingRun.objects.filter(spool=shop.other).exists()
    assert notices(response) == ["success", "drying.planned_heat warning"]
    drying = desk.get(reverse("drying"))
    assert "drying.take_out_by" in notes(drying)
    [charts] = [shown["rows"] for shown in drying.context["dryers"] if shown["dryer"] == shop.dryer]
    board = {row.run.spool_id: SpoolBoard.objects.get(spool=row.run.spool_id) for row in charts}
    for row in charts:
        of_board = board[row.run.spool_id]
        moisture = of_board.p10_pct, of_board.p50_pct, of_board.p90_pct
        now = f"{format_number(of_board.p50_pct)} ({band(moisture)})"
        assert now in [chart_row.cells[0] for chart_row in row.chart.rows]
        assert [text for _, text, _ in row.chart.limits] == [f"target {format_number(row.run.target_pct)}"]


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
    # The same physics, asked for in two ways; the plan's hours are rounded up for people.
    assert plan.ready_at - timedelta(hours=3.2) < dry_at < plan.ready_at + timedelta(minutes=16)
