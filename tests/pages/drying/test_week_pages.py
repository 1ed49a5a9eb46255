"""The pages of the drying plan of the week, from a print request to the run of its drying."""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from background.running import run_due
from pages.drying.week_forms import MaterialField
from spools.codes import pretty
from spools.drying.options import next_quarter
from spools.drying.runs import DryingSettings, start_drying
from spools.drying.week.plans import accepted_plan
from spools.inventory.endings import end_spool
from spools.inventory.moves import move_spool
from spools.models import DryingRun, PlannedDrying, PrintRequest, Spool, WeekPlan
from tests.pages.corner import corner
from tests.pages.frame.test_take_back import take_back
from tests.pages.shown import notes, notices, require_refused, shows
from tests.pages.small_shop import local_input
from tests.spools.conftest import feedstock, hours_ago, receive
from tests.spools.drying.test_advice import accept

HANDS = {"staffed_from": "00:00", "staffed_to": "23:59"}


@pytest.fixture
def shop(db):
    """Two wet spools of nylon, one dryer."""
    found = corner()
    for spool in (found.free, found.other):
        move_spool(spool, found.shelf, at=hours_ago(48))
    return found


@pytest.fixture
def desk(shop) -> Client:
    client = Client()
    client.force_login(shop.user)
    return client


def print_request(shop, **changes) -> dict:
    due = timezone.now() + timedelta(hours=90)
    return {
        "material": f"spool-{shop.free.pk}",
        "mass_g": "100",
        "due_at": local_input(due),
        "name": "Gears",
    } | changes


@pytest.fixture
def accepted(shop, desk) -> PlannedDrying:
    """The drying of an accepted plan."""
    desk.post(reverse("print-request-new"), print_request(shop))
    desk.post(reverse("week-plan"), HANDS)
    run_due("moisture")
    desk.post(reverse("week-accept", args=[WeekPlan.objects.get().pk]))
    return PlannedDrying.objects.get()


def test_from_a_print_request_to_the_run_that_was_planned(shop, desk):
    page = desk.get(reverse("week"))
    assert "no_request" in notes(page) and reverse("week-plan") not in page.content.decode()
    page = desk.post(reverse("print-request-new"), print_request(shop), follow=True)
    assert shows(page, "Gears", "100 g", pretty(shop.free.code))
    page = desk.post(reverse("week-plan"), HANDS, follow=True)
    assert page.context["waiting"] and page.context["proposed"] is None and page.headers["Refresh"]
    run_due("moisture")
    page = desk.get(reverse("week"))
    assert not page.context["waiting"] and "Refresh" not in page.headers
    assert b'id="proposed"' in page.content and "how_made" in notes(page)
    (report,) = [report for _, report in page.context["proposed"].prints]
    assert report.good_at and shows(page, f"{timezone.localtime(report.good_at):%-d %b, %H:%M}")
    assert shows(page, "Oven A", note="week.capacity_unknown")
    plan = WeekPlan.objects.get()
    assert plan.asked_by == shop.user
    accept = reverse("week-accept", args=[plan.pk])
    shown = desk.post(accept, follow=True).content.decode()
    assert 'id="accepted"' in shown and accept not in shown
    assert WeekPlan.objects.get().accepted_by == shop.user
    item = PlannedDrying.objects.get()
    drying = desk.get(reverse("drying"))
    assert shows(drying, f"{item.hours:g} h", item.temperatures)
    (_, start), *_ = drying.context["dryers"][0]["planned"]
    form = desk.get(start)
    assert form.context["plan"].set_point_c == item.set_point_c
    assert shows(form, pretty(shop.free.code), note="as_planned") and "start_drying" in notes(form)
    assert "planned_hours" not in form.context["form"].fields
    values = {"spools": shop.free.pk, "set_point_c": item.set_point_c, "planned": item.pk}
    desk.post(reverse("drying-start", args=[shop.dryer.pk]), values | {"resolution_g": "1"})
    item.refresh_from_db()
    assert item.run == DryingRun.objects.get()
    assert item.run.planned_stages == item.stages
    keys = notes(desk.get(reverse("week")))
    assert {"nothing_left", "drying_now"} <= keys and "violation" not in keys


def test_put_in_never_offers_another_plan_with_the_hours_of_this_one(shop, desk):
    start = next_quarter(timezone.now())
    accept(shop.free, shop.dryer, start, 23.75, set_point_c=77)
    start_drying([receive(feedstock("PLA"), shop.shelf)], shop.dryer, DryingSettings(45))
    drying = desk.get(reverse("drying"))
    (_, address), *_ = drying.context["dryers"][0]["planned"]
    page = desk.get(address)
    assert page.context["plan"] is None
    assert page.context["plan_form"].has_error("set_point_c", "above_cap")
    assert "start_drying" not in notes(page)


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"material": "spool-999"}, "invalid_choice"),
        ({"material": ""}, "required"),
        ({"mass_g": "0"}, "min_value"),
        ({"mass_g": "much"}, "invalid"),
        ({"due_at": "2020-01-01T08:00"}, "too_far_ahead"),
        ({"due_at": "soon"}, "invalid"),
    ],
)
def test_wrong_input_has_its_error_beside_its_field(shop, desk, changes, code):
    page = desk.post(reverse("print-request-new"), print_request(shop, **changes))
    require_refused(page, code, *changes)
    assert not PrintRequest.objects.exists()


def test_an_empty_spool_is_refused_beside_the_choice_of_material(shop, desk, monkeypatch):
    # The spool becomes empty after the form was checked.
    monkeypatch.setattr(MaterialField, "clean", lambda self, value: Spool.objects.get(pk=shop.free.pk))
    end_spool(shop.free)
    page = desk.post(reverse("print-request-new"), print_request(shop))
    assert [error.code for error in page.context["form"].errors.as_data()["material"]] == ["spool_ended"]


def test_without_a_spool_the_page_of_requests_links_to_receiving_one(shop, desk):
    assert "no_spool_yet" not in notes(desk.get(reverse("print-request-new")))
    Spool.objects.update(ended_at=timezone.now())
    page = desk.get(reverse("print-request-new"))
    content = page.content.decode()
    assert "no_spool_yet" in notes(page) and 'class="button primary"' not in content
    assert reverse("spool-receive") in content.split('data-note="no_spool_yet"')[1]


def test_hours_and_empty_lists_are_refused_on_the_page(shop, desk):
    require_refused(desk.post(reverse("week-plan"), HANDS), "no_request")
    desk.post(reverse("print-request-new"), print_request(shop))
    for values in (
        {"staffed_from": "22:00", "staffed_to": "07:00"},
        {"staffed_from": "x", "staffed_to": "07:00"},
    ):
        assert desk.post(reverse("week-plan"), values).context["form"].errors
    assert not WeekPlan.objects.exists()
    item = PrintRequest.objects.get()
    address, reason = reverse("withdraw", args=["print-request", item.pk]), {"reason": "printed"}
    require_refused(desk.post(address), "required", "reason")
    listed = desk.post(address, reason, follow=True).content.decode()
    assert item.name not in listed.split('id="print-requests"')[1]
    require_refused(desk.post(address, reason), "withdrawn_already")
    item.refresh_from_db()
    assert (item.withdrawn_by, item.withdrawn_reason) == (shop.user, "printed")


def test_a_drying_is_moved_pinned_and_dropped(shop, desk, accepted):
    address = reverse("planned-move", args=[accepted.pk])
    assert shows(desk.get(address), accepted.dryer, accepted.temperatures, note="planned_now")
    start = timezone.now() + timedelta(hours=85)
    values = {"dryer": shop.dryer.pk, "start": local_input(start), "set_point_c": "150"}
    page = desk.post(address, values)
    require_refused(page, "above_cap", "set_point_c")
    page = desk.post(address, values | {"set_point_c": "75"}, follow=True)
    assert notices(page)[-2:] == ["success", "warning"] and shows(page, "Gears", note="print_late")
    accepted.refresh_from_db()
    assert accepted.ended_at is not None and accepted.ended_by == shop.user
    moved = PlannedDrying.objects.get(ended_at=None)
    assert moved.pinned
    pin = reverse("planned-pin", args=[moved.pk])
    for sent, pinned in (("no", False), ("yes", True)):
        assert notices(desk.post(pin, {"pinned": sent}, follow=True)) == ["success"]
        moved.refresh_from_db()
        assert moved.pinned is pinned
    drop = reverse("planned-cancel", args=[moved.pk])
    assert notices(desk.post(drop, follow=True)) == ["success"]
    assert notices(desk.post(drop, follow=True)) == ["not_planned error"]
    assert desk.get(drop).status_code == 405
    page = desk.get(reverse("week"))
    (report,) = [report for _, report in page.context["accepted"].prints]
    [reason] = report.reasons
    assert shows(page, "Gears", reason.sentence, note="print_missing")
    for old in (accepted, moved):
        late = reverse("planned-move", args=[old.pk])
        for answer in (desk.get(late, follow=True), desk.post(late, values, follow=True)):
            assert notices(answer)[-1] == "not_planned error"
    assert not PlannedDrying.objects.filter(ended_at=None).exists()


def test_acts_on_a_plan_are_taken_back(shop, desk, accepted):
    def state():
        plans = WeekPlan.objects.values_list("pk", "accepted_at", "ended_at")
        dryings = PlannedDrying.objects.filter(ended_at=None).values_list("spool", "start", "pinned")
        return [*plans], sorted(dryings)

    before = state()
    later = {"dryer": shop.dryer.pk, "set_point_c": "75"}
    later["start"] = local_input(timezone.now() + timedelta(hours=80))
    for name, row, values in (
        ("planned-pin", accepted, {"pinned": "yes"}),
        ("planned-cancel", accepted, {}),
        ("planned-move", accepted, later),
        ("week-reject", accepted.plan, {}),
    ):
        response = desk.post(reverse(name, args=[row.pk]), values)
        assert state() != before, name
        take_back(desk, response)
        assert state() == before, name


def test_violations_are_shown_and_a_plan_may_be_ended(shop, desk, accepted):
    assert "violation" not in notes(desk.get(reverse("week")))
    end_spool(shop.free)
    page = desk.get(reverse("week"))
    assert {"violation", "violations"} <= notes(page) and "print_in-time" not in notes(page)
    assert shows(page, "Gears", note="print_in-doubt")
    end = reverse("week-reject", args=[WeekPlan.objects.get().pk])
    assert notices(desk.post(end, follow=True))[-1] == "success"
    assert accepted_plan() is None


def test_the_picture_shows_runs_plans_overruns_and_deadlines(shop, desk, accepted):
    start_drying(
        [receive(feedstock("PLA"), shop.shelf)],
        shop.dryer,
        DryingSettings(45, planned_hours=1),
        at=hours_ago(3),
    )
    chart = desk.get(reverse("week")).context["accepted"].chart
    kinds = [stretch.kind for stretch in chart.stretches]
    assert {"running", "over", "planned", "due"} <= {*kinds} and chart.now is not None
    (over,) = [stretch for stretch in chart.stretches if stretch.kind == "over"]
    assert over.right == pytest.approx(chart.now, abs=0.1) and over.width > 0
    names = [stretch.text for stretch in chart.stretches if stretch.text]
    assert {pretty(shop.free.code), "Gears"} <= {*names}
    assert next(name for _, name in chart.lanes) == shop.dryer.name
    assert chart.spans and len(chart.rows) == 3
