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
from spools.drying.plans import plan_drying
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.models import CouponTest, DryingRun, Spool
from tests.pages.corner import corner, of, words
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
    return given | {"first_set_point_c": "40", "first_hours": "6"} | values


def test_a_plan_shows_both_stages_and_starts_them(shop, desk, pva):
    page = desk.get(of("spool-dry", pva), {"dryer": shop.dryer.pk, "set_point_c": "50"})
    plan = page.context["plan"]
    assert plan.first is not None
    text = words(page)
    assert "First 40 °C for" in text and "at most 45 °C; then 50 °C, at most 60 °C" in text
    assert "45 °C at the start: PVA while it may be wet" in text
    assert "known from memory only" in text and "No budget of hours in hot air is published" in text
    initial = page.context["form"].initial
    assert initial["first_hours"] == f"{plan.first.hours:g}"
    response = desk.post(of("spool-dry", pva), started(shop, first_hours=initial["first_hours"]), follow=True)
    run = DryingRun.objects.get()
    assert (run.first_set_point_c, run.first_hours, run.set_point_c) == (40, plan.first.hours, 50)
    advice = board.read([pva.pk])[pva.pk].advice
    assert (advice.code, advice.values["run"]) == ("advice.in_run", run.pk)
    assert advice.sentence in words(response)
    assert "Turn it up to 50 °C at" in words(desk.get(reverse("drying")))
    assert f"at {run.temperatures}" in words(desk.get(reverse("drying-finish", args=[shop.dryer.pk])))


@pytest.mark.parametrize(
    ("values", "field", "says"),
    [
        ({"first_set_point_c": "", "first_hours": ""}, "set_point_c", "50 °C is too hot to start at"),
        ({"first_set_point_c": "46"}, "first_set_point_c", "46 °C is too hot to start at"),
        ({"first_hours": "0.5"}, "first_hours", "would still be soft at 50 °C"),
        ({"first_hours": ""}, "first_hours", "Give the first stage's hours too"),
        ({"set_point_c": "61"}, "set_point_c", "61 °C is too hot"),
        ({"planned_hours": "6"}, "planned_hours", "The first stage alone takes 6 h"),
    ],
)
def test_stages_that_cannot_be_are_refused_at_their_field(shop, desk, pva, values, field, says):
    response = desk.post(of("spool-dry", pva), started(shop, **values))
    assert says in " ".join(response.context["form"].errors[field])
    assert not DryingRun.objects.exists()


def test_the_time_line_and_the_list_of_finished_runs_show_both_stages(shop, desk, pva):
    (run,) = start_drying(
        [pva],
        shop.dryer,
        DryingSettings(50, first_set_point_c=40, first_hours=6, planned_hours=12),
        at=hours_ago(14),
    )
    assert "in its second stage" in words(desk.get(reverse("drying")))
    finish_drying(run, place=shop.box, at=hours_ago(1))
    assert "Drying in Oven A at 40 °C, then 50 °C for 13 h" in words(desk.get(of("spool-history", pva)))
    assert "40 °C for 6 h, then 50 °C" in words(desk.get(reverse("drying")))
    assert "13 h in dryers so far" in words(desk.get(of("spool", pva)))
    assert "never above 45 °C before it has dried" in words(desk.get(of("spool-label", pva)))


def test_a_plan_for_a_job_and_strong_parts_is_stored(shop, desk):
    def plan(**asked):
        return desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk} | asked).context["plan"]

    usual = plan()
    assert plan(mass_g="50").hours < usual.hours
    strong = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk, "goal": "strong"})
    assert strong.context["plan"].target_pct == 0.2
    assert "published for moulding" in words(strong)
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
    assert run.planned_hours < page.context["plan"].hours
    assert run.planned_hours == pytest.approx(hotter.hours, rel=0.3)


@pytest.mark.parametrize("asked", [{"goal": "best"}, {"mass_g": "-1"}, {"mass_g": "x"}, {"set_point_c": "x"}])
def test_wishes_that_cannot_be_show_the_usual_plan_and_what_is_wrong(shop, desk, asked):
    page = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk} | asked)
    assert page.context["replanned"].errors.keys() == asked.keys()
    assert page.context["plan"].set_point_c == plan_drying(shop.free, shop.dryer).set_point_c
    assert "The plan shown is the usual one" in words(page)


def test_the_set_points_are_compared_with_what_they_cost(shop, desk):
    page = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk})
    options = page.context["plan"].options
    assert options[0].recommended and len(options) > 1
    text = words(page)
    assert "75 °C this plan" in text and "Why: the usual set point" in text
    assert f"{100 * options[0].run_share:.0f} %" in text
    assert "0 h in dryers so far: 0 % of what a polyamide may have" in text


def test_several_spools_are_planned_and_the_one_that_limits_can_be_left_out(shop, desk):
    pla = receive(feedstock("PLA"), shop.shelf, core_material="pc", sealed=False)
    address = reverse("drying-start", args=[shop.dryer.pk])
    assert desk.get(address).status_code == 200
    page = desk.get(address, {"spools": [pla.pk, shop.free.pk, shop.other.pk]})
    found = page.context["plan"]
    assert (found.limiting_spool, found.without_limiting_c) == (pla, 80)
    text = words(page)
    assert "Without it the others may have up to 80 °C" in text
    assert "These may be taken out earlier" in text
    links = [f'"?spools={a.pk}&amp;spools={b.pk}"' for a, b in permutations([shop.free, shop.other])]
    assert any(link in page.content.decode() for link in links)
    alone = desk.get(address, {"spools": [shop.free.pk, shop.other.pk]}).context["plan"]
    assert alone.set_point_c == 75


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
    assert found.first.set_point_c == 40
    values = {"planned_hours": "20", "resolution_g": "1", "first_set_point_c": "40"}
    short = desk.post(address, both | values | {"first_hours": "0.5"})
    assert "would still be soft" in " ".join(short.context["form"].errors["first_hours"])
    assert not DryingRun.objects.exists()
    assert desk.post(address, both | values | {"first_hours": found.first.hours}).status_code == 302
    assert {run.temperatures for run in DryingRun.objects.all()} == {"40 °C for 2.25 h, then 50 °C"}
    # A later visitor sees the running drying, and may join it or not.
    late = desk.get(address)
    assert "It runs at 40 °C for 2.25 h, then 50 °C" in words(late)


def test_a_coupon_test_is_recorded_on_the_feedstocks_page_and_heeded(shop, desk):
    address = reverse("coupon-test", args=[shop.nylon.pk])
    assert "turns that touch" in words(desk.get(address))
    for wrong in ({"temperature_c": "900", "passed": "yes"}, {"temperature_c": "70"}, {"passed": "yes"}):
        assert desk.post(address, wrong).status_code == 200
    assert not CouponTest.objects.exists()
    response = desk.post(address, {"temperature_c": "72", "passed": "no", "when": ""}, follow=True)
    assert "Failed at 72 °C" in words(response)
    assert CouponTest.objects.get().recorded_by == shop.user
    page = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk})
    assert "67 °C: PA6, of which a coupon stuck at 72 °C" in words(page)
    assert desk.get(reverse("coupon-test", args=[999])).status_code == 404
    back = reverse("withdraw", args=["coupon-test", CouponTest.objects.get().pk])
    assert "coupon test at 72 °C" in words(desk.get(back))
    result = words(desk.post(back, {"reason": "too hot an oven"}, follow=True))
    assert "Failed at 72 °C" in result and "too hot an oven" in result
    page = desk.get(of("spool-dry", shop.free), {"dryer": shop.dryer.pk})
    assert "a coupon stuck" not in words(page)
