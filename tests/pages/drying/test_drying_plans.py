"""Plans on pages: stages, goals, set points compared, several spools at once, coupon tests."""

import re
from itertools import permutations

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from pages.drying import views
from spools.board import board
from spools.codes import pretty
from spools.drying.plans import plan_drying
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.models import CouponTest, DryingRun, Spool
from tests.pages.corner import corner, of
from tests.pages.shown import notes, require_refused, shows
from tests.spools.conftest import feedstock, hours_ago, receive
from tests.spools.drying.test_stages import with_code


@pytest.fixture
def shop(db):
    return corner()


@pytest.fixture
def desk(shop) -> Client:
    """A signed-in browser; a page that fails raises."""
    client = Client()
    client.force_login(shop.user)
    return client


@pytest.fixture
def pva(shop) -> Spool:
    """Half a kilogram of PVA that came with a dry card."""
    spool = receive(feedstock("PVA"), shop.bag, core_material="pc", net_mass_g=500, card="dry")
    return with_code(spool, "JGFNKH")


def started(shop, **values) -> dict:
    given = {"dryer": shop.dryer.pk, "set_point_c": "50", "planned_hours": "12", "resolution_g": "1"}
    return given | {"first_set_point_c": "36", "first_hours": "6"} | values


def test_a_plan_shows_both_stages_and_starts_them(shop, desk, pva):
    page = desk.get(of("spool-dry", pva), {"dryer": shop.dryer.pk, "set_point_c": "50"})
    plan = page.context["plan"]
    assert plan.first is not None
    assert (plan.first.set_point_c, plan.cap.start_c, plan.set_point_c, plan.cap.cap_c) == (36, 36, 50, 60)
    assert shows(page, "36 °C", "50 °C", "60 °C", note="set_point")
    assert shows(page, "36 °C", "PVA", note="cap.wet")
    assert {"drying.rate_from_memory", "no_heat_budget"} <= notes(page)
    initial = page.context["form"].initial
    assert initial["first_hours"] == f"{plan.first.hours:g}"
    response = desk.post(of("spool-dry", pva), started(shop, first_hours=initial["first_hours"]), follow=True)
    run = DryingRun.objects.get()
    assert (run.first_set_point_c, run.first_hours, run.set_point_c) == (36, plan.first.hours, 50)
    advice = board.read([pva.pk])[pva.pk].advice
    assert (advice.code, advice.values["run"]) == ("advice.in_run", run.pk)
    assert shows(response, advice.sentence)
    assert shows(desk.get(reverse("drying")), "50 °C", note="turn_up")
    assert shows(desk.get(reverse("drying-finish", args=[shop.dryer.pk])), run.temperatures)


@pytest.mark.parametrize(
    ("values", "field", "code", "names"),
    [
        ({"first_set_point_c": "", "first_hours": ""}, "set_point_c", "above_start_cap", ["50 °C", "36 °C"]),
        ({"first_set_point_c": "46"}, "first_set_point_c", "above_start_cap", ["46 °C", "36 °C"]),
        ({"first_hours": "0.5"}, "first_hours", "first_stage_too_short", ["50 °C", "36 °C", "0.5 h"]),
        ({"first_hours": ""}, "first_hours", "first_stage_incomplete", []),
        ({"set_point_c": "61"}, "set_point_c", "above_cap", ["61 °C", "60 °C"]),
        ({"planned_hours": "6"}, "planned_hours", "first_stage_longer", ["6 h"]),
    ],
)
def test_stages_that_cannot_be_are_refused_at_their_field(shop, desk, pva, values, field, code, names):
    response = desk.post(of("spool-dry", pva), started(shop, **values))
    require_refused(response, code, field, names=names)
    assert not DryingRun.objects.exists()


def test_the_time_line_and_the_list_of_finished_runs_show_both_stages(shop, desk, pva):
    (run,) = start_drying(
        [pva],
        shop.dryer,
        DryingSettings(50, first_set_point_c=36, first_hours=6, planned_hours=12),
        at=hours_ago(14),
    )
    assert shows(desk.get(reverse("drying")), "50 °C", note="second_stage")
    finish_drying(run, place=shop.box, at=hours_ago(1))
    assert shows(
        desk.get(of("spool-history", pva)), "Oven A", "36 °C for 6 h, then 50 °C", "13 h", note="drying"
    )
    assert shows(desk.get(reverse("drying")), "36 °C for 6 h, then 50 °C")
    assert shows(desk.get(of("spool", pva)), "13 h", note="heat")
    assert shows(desk.get(of("spool-label", pva)), "36 °C", note="cap")


def test_a_plan_for_a_job_and_strong_parts_is_stored(shop, desk):
    def plan(**asked):
        return desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk} | asked).context["plan"]

    usual = plan()
    assert plan(mass_g="50").hours < usual.hours
    strong = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk, "goal": "strong"})
    assert strong.context["plan"].target_pct == 0.2
    assert "drying.strong_limit" in notes(strong)
    values = started(shop, first_set_point_c="", first_hours="", goal="strong")
    held = desk.post(of("spool-dry", shop.free), values)
    assert held.context["form"].has_error("override_reason", "on_hold")
    desk.post(of("spool-dry", shop.free), values | {"override_reason": "as dry as it gets"})
    run = DryingRun.objects.get()
    assert (run.target_pct, run.override_reason) == (0.2, "as dry as it gets")


def test_the_hours_of_another_set_point_are_computed_anew(shop, desk):
    page = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk})
    assert "planned_hours" not in page.context["form"].initial
    values = {"dryer": shop.dryer.pk, "set_point_c": "77", "resolution_g": "1"}
    desk.post(of("spool-dry", shop.free), values)
    run = DryingRun.objects.get()
    hotter = desk.get(of("spool-dry", shop.other), {"dryer": shop.dryer.pk, "set_point_c": "77"}).context[
        "plan"
    ]
    # Cooler than the usual 80 °C.
    assert run.planned_hours >= page.context["plan"].hours
    assert run.planned_hours == pytest.approx(hotter.hours, rel=0.3)


@pytest.mark.parametrize("asked", [{"goal": "best"}, {"mass_g": "-1"}, {"mass_g": "x"}, {"set_point_c": "x"}])
def test_wishes_that_cannot_be_show_the_usual_plan_and_what_is_wrong(shop, desk, asked):
    page = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk} | asked)
    assert page.context["replanned"].errors.keys() == asked.keys()
    assert page.context["plan"].set_point_c == plan_drying(shop.free, shop.dryer).set_point_c
    assert "not_planned" in notes(page)


def test_the_set_points_are_compared_with_what_they_cost(shop, desk):
    page = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk})
    options = page.context["plan"].options
    assert options[0].recommended and len(options) > 1
    assert options[0].why.code == "drying.chosen_usual" and "drying.chosen_usual" in notes(page)
    assert shows(page, "80 °C", f"{100 * options[0].run_share:.0f} %", note="this_plan")
    assert shows(page, "0 h", "0 %", note="heat") and "no_heat_budget" not in notes(page)


def test_several_spools_are_planned_and_the_one_that_limits_can_be_left_out(shop, desk):
    pla = receive(feedstock("PLA"), shop.shelf, core_material="pc", sealed=False)
    address = reverse("drying-start", args=[shop.dryer.pk])
    assert desk.get(address).status_code == 200
    page = desk.get(address, {"spools": [pla.pk, shop.free.pk, shop.other.pk]})
    found = page.context["plan"]
    assert (found.limiting_spool, found.without_limiting_c) == (pla, 90)
    assert shows(page, "90 °C", pretty(pla.code), note="without_limiting")
    (earlier, *_), *_ = found.early
    assert shows(page, pretty(earlier.code), note="early")
    links = [f'"?spools={a.pk}&amp;spools={b.pk}"' for a, b in permutations([shop.free, shop.other])]
    assert any(link in page.content.decode() for link in links)
    alone = desk.get(address, {"spools": [shop.free.pk, shop.other.pk]}).context["plan"]
    assert alone.set_point_c == 80


def test_spools_are_chosen_from_pages_and_by_a_search(shop, desk, monkeypatch):
    monkeypatch.setattr(views, "PER_PAGE", 2)
    product = feedstock("PLA")
    pla = [receive(product, shop.shelf, batch=f"lot {n}") for n in range(3)]
    address = reverse("drying-start", args=[shop.dryer.pk])
    first = desk.get(address).context
    assert [len(first["rows"]), first["page"].paginator.count] == [2, 5]
    kept = {"spools": [pla[0].pk], "set_point_c": "45", "goal": ""}
    for number in (1, 2):
        page = desk.get(address, kept | {"page": number})
        chosen, *others = page.context["rows"]
        assert (chosen["spool"], chosen["chosen"]) == (pla[0], True)
        assert len(others) == 2 and not any(row["chosen"] for row in others)
        assert re.search(rf'name="spools" value="{pla[0].pk}" checked', page.content.decode())
        assert page.context["plan_form"]["set_point_c"].value() == "45"
        assert not page.context["plan_form"].errors
    found = desk.get(address, kept | {"page": 1, "q": "lot 2"}).context["rows"]
    assert [row["spool"] for row in found] == [pla[0], pla[2]]
    for wrong in ("x", "-1", "9" * 30, "1" * 19, "²"):
        assert desk.get(address, {"page": wrong, "spools": wrong, "q": "\0"}).status_code == 200
    assert "plan" in desk.get(address, {"spools": [pla[0].pk, pla[2].pk]}).context


def test_choosing_spools_takes_as_many_queries_for_many_as_for_few(shop, desk):
    address, product = reverse("drying-start", args=[shop.dryer.pk]), feedstock("PLA")
    receive(product, shop.shelf)
    counts = []
    for _ in range(2):
        for asked in ({}, {"page": 1, "q": "PLA", "spools": [shop.free.pk]}):
            with CaptureQueriesContext(connection) as queries:
                desk.get(address, asked)
            counts.append(len(queries))
        for _ in range(4):
            receive(product, shop.shelf)
    assert counts[:2] == counts[2:]


def test_spools_start_together_in_two_stages(shop, desk, pva):
    petg = receive(feedstock("PETG"), shop.bag, core_material="pc")
    address = reverse("drying-start", args=[shop.dryer.pk])
    both = {"spools": [pva.pk, petg.pk], "set_point_c": "50"}
    found = desk.get(address, both).context["plan"]
    assert found.first.set_point_c == 36
    values = {"planned_hours": "20", "resolution_g": "1", "first_set_point_c": "36"}
    short = desk.post(address, both | values | {"first_hours": "0.5"})
    require_refused(short, "first_stage_too_short", "first_hours", names=["50 °C"])
    assert not DryingRun.objects.exists()
    assert desk.post(address, both | values | {"first_hours": found.first.hours}).status_code == 302
    assert {run.temperatures for run in DryingRun.objects.all()} == {
        f"36 °C for {found.first.hours:.3g} h, then 50 °C"
    }
    # A later visitor sees the running drying, and may join it or not.
    late = desk.get(address)
    assert shows(late, f"36 °C for {found.first.hours:.3g} h, then 50 °C", note="inside")


def test_a_coupon_test_is_recorded_on_the_feedstocks_page_and_heeded(shop, desk):
    address = reverse("coupon-test", args=[shop.nylon.pk])
    assert "coupon_test" in notes(desk.get(address))
    for wrong in ({"temperature_c": "900", "passed": "yes"}, {"temperature_c": "70"}, {"passed": "yes"}):
        assert desk.post(address, wrong).status_code == 200
    assert not CouponTest.objects.exists()
    response = desk.post(address, {"temperature_c": "72", "passed": "no", "when": ""}, follow=True)
    assert shows(response, "72 °C", note="coupon_failed")
    assert CouponTest.objects.get().recorded_by == shop.user
    page = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk})
    assert shows(page, "67 °C", "PA6", "72 °C", note="cap.coupon_failed")
    assert desk.get(reverse("coupon-test", args=[999])).status_code == 404
    back = reverse("withdraw", args=["coupon-test", CouponTest.objects.get().pk])
    assert shows(desk.get(back), "72 °C")
    result = desk.post(back, {"reason": "too hot an oven"}, follow=True)
    assert shows(result, "72 °C", "too hot an oven", note="coupon_failed")
    page = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk})
    assert "cap.coupon_failed" not in notes(page)
