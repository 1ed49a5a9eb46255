"""The pages of the drying plan of the week, from a print request to the run of its drying."""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from hypothesis import example, given
from hypothesis import strategies as st

from background.running import run_due
from pages.drying.week_chart import LABEL_PX, LEFT, WIDTH, Stretch, draw_week
from pages.drying.week_forms import MaterialField
from spools import limits
from spools.codes import pretty
from spools.drying.week.plans import accepted_plan
from spools.inventory.moves import mark_empty, move_spool
from spools.models import DryingRun, PlannedDrying, PrintRequest, Spool, WeekPlan
from tests.pages.corner import corner, words
from tests.pages.small_shop import local_input
from tests.spools.conftest import hours_ago

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
    run_due()
    desk.post(reverse("week-accept", args=[WeekPlan.objects.get().pk]))
    return PlannedDrying.objects.get()


def test_from_a_print_request_to_the_run_that_was_planned(shop, desk):
    page = desk.get(reverse("week"))
    assert "None yet" in words(page) and "Calculate" not in words(page)
    page = desk.post(reverse("print-request-new"), print_request(shop), follow=True)
    assert f"Gears : 100 g of {pretty(shop.free.code)}" in words(page)
    page = desk.post(reverse("week-plan"), HANDS, follow=True)
    assert page.context["waiting"] and page.context["proposed"] is None and page.headers["Refresh"]
    run_due()
    page = desk.get(reverse("week"))
    assert not page.context["waiting"] and "Refresh" not in page.headers
    text = words(page)
    assert "Proposed" in text and "is good from" in text and "How this plan was made" in text
    assert "How many spools fit into Oven A is not recorded" in text
    plan = WeekPlan.objects.get()
    assert plan.asked_by == shop.user
    text = words(desk.post(reverse("week-accept", args=[plan.pk]), follow=True))
    assert f"by {shop.user}" in text and "Accept this plan" not in text
    item = PlannedDrying.objects.get()
    drying = desk.get(reverse("drying"))
    assert f"{item.hours:g} h at {item.temperatures}" in words(drying)
    (_, start), *_ = drying.context["dryers"][0][-1]
    form = desk.get(start)
    assert form.context["plan"].set_point_c == item.set_point_c
    assert float(form.context["form"].initial["planned_hours"]) >= item.hours
    values = {"spools": shop.free.pk, "set_point_c": item.set_point_c, "planned_hours": item.hours}
    desk.post(reverse("drying-start", args=[shop.dryer.pk]), values | {"resolution_g": "1"})
    item.refresh_from_db()
    assert item.run == DryingRun.objects.get()
    text = words(desk.get(reverse("week")))
    assert "Nothing is left to be put in" in text and "drying now" in text and "No longer valid" not in text


@pytest.mark.parametrize(
    ("changes", "field", "why"),
    [
        ({"material": "spool-999"}, "material", "not one of the available"),
        ({"material": ""}, "material", "required"),
        ({"mass_g": "0"}, "mass_g", limits.NEEDED_G.sentence),
        ({"mass_g": "much"}, "mass_g", "Enter a number"),
        ({"due_at": "2020-01-01T08:00"}, "due_at", "within the next 7 days"),
        ({"due_at": "soon"}, "due_at", "valid date"),
    ],
)
def test_wrong_input_has_its_error_beside_its_field(shop, desk, changes, field, why):
    page = desk.post(reverse("print-request-new"), print_request(shop, **changes))
    assert why in " ".join(page.context["form"].errors[field])
    assert not PrintRequest.objects.exists()


def test_an_empty_spool_is_refused_beside_the_choice_of_material(shop, desk, monkeypatch):
    # The spool becomes empty after the form was checked.
    monkeypatch.setattr(MaterialField, "clean", lambda self, value: Spool.objects.get(pk=shop.free.pk))
    mark_empty(shop.free)
    page = desk.post(reverse("print-request-new"), print_request(shop))
    assert [error.code for error in page.context["form"].errors.as_data()["material"]] == ["spool_empty"]


def test_without_a_spool_the_page_of_requests_links_to_receiving_one(shop, desk):
    assert "There is no spool yet" not in words(desk.get(reverse("print-request-new")))
    Spool.objects.update(emptied_at=timezone.now())
    page = desk.get(reverse("print-request-new"))
    assert "There is no spool yet" in words(page) and "Add it" not in words(page)
    assert reverse("spool-receive") in page.content.decode().split("There is no spool yet")[1]


def test_hours_and_empty_lists_are_refused_on_the_page(shop, desk):
    assert "There is no print request" in words(desk.post(reverse("week-plan"), HANDS))
    desk.post(reverse("print-request-new"), print_request(shop))
    for values in (
        {"staffed_from": "22:00", "staffed_to": "07:00"},
        {"staffed_from": "x", "staffed_to": "07:00"},
    ):
        assert desk.post(reverse("week-plan"), values).context["form"].errors
    assert not WeekPlan.objects.exists()
    item = PrintRequest.objects.get()
    address, reason = reverse("withdraw", args=["print-request", item.pk]), {"reason": "printed"}
    assert "required" in words(desk.post(address))
    assert item.name not in words(desk.post(address, reason, follow=True)).split("Print requests")[1]
    assert "already" in words(desk.post(address, reason))
    item.refresh_from_db()
    assert (item.withdrawn_by, item.withdrawn_reason) == (shop.user, "printed")


def test_a_drying_is_moved_pinned_and_dropped(shop, desk, accepted):
    address = reverse("planned-move", args=[accepted.pk])
    assert "Its hours are computed again" in words(desk.get(address))
    start = timezone.now() + timedelta(hours=85)
    values = {"dryer": shop.dryer.pk, "start": local_input(start), "set_point_c": "150"}
    page = desk.post(address, values)
    assert "too hot" in " ".join(page.context["form"].errors["set_point_c"])
    text = words(desk.post(address, values | {"set_point_c": "75"}, follow=True))
    assert "It is pinned" in text and "h late" in text
    accepted.refresh_from_db()
    assert accepted.ended_at is not None and accepted.ended_by == shop.user
    moved = PlannedDrying.objects.get(ended_at=None)
    pin = reverse("planned-pin", args=[moved.pk])
    assert "may be changed" in words(desk.post(pin, {"pinned": "no"}, follow=True))
    assert "stays as it is" in words(desk.post(pin, {"pinned": "yes"}, follow=True))
    drop = reverse("planned-cancel", args=[moved.pk])
    assert "not planned to be dried any more" in words(desk.post(drop, follow=True))
    assert "not planned any more" in words(desk.post(drop, follow=True))
    assert desk.get(drop).status_code == 405
    text = words(desk.get(reverse("week")))
    assert "Missing: Gears" in text and "Its drying was dropped. Plan again to have it back." in text
    for old in (accepted, moved):
        late = reverse("planned-move", args=[old.pk])
        for answer in (desk.get(late, follow=True), desk.post(late, values, follow=True)):
            assert "is not planned any more. Nothing was changed." in words(answer)
    assert not PlannedDrying.objects.filter(ended_at=None).exists()


def test_violations_are_shown_and_a_plan_may_be_ended(shop, desk, accepted):
    assert "No longer valid" not in words(desk.get(reverse("week")))
    mark_empty(shop.free)
    text = words(desk.get(reverse("week")))
    assert "No longer valid: Spool" in text and "Parts of this plan are no longer valid" in text
    assert "In doubt: Gears" in text and "In time" not in text
    end = reverse("week-reject", args=[WeekPlan.objects.get().pk])
    assert "The plan has ended" in words(desk.post(end, follow=True))
    assert accepted_plan() is None


def test_bars_lie_in_their_dryer_and_spools_that_are_together_below_each_other():
    now = timezone.now()

    def stretch(start: float, end: float, label: str) -> Stretch:
        return Stretch(now + timedelta(hours=start), now + timedelta(hours=end), label, is_running=start < 0)

    drawn = draw_week(
        [("One", [stretch(-2, 10, ""), stretch(5, 20, "1"), stretch(20, 48, "2")]), ("Two", [])], now
    )
    (_, _, bars), (_, _, none) = drawn.lanes
    assert none == [] and len(bars) == 3
    assert bars[0].x == LEFT and bars[0].y == bars[2].y != bars[1].y
    assert bars[2].x == pytest.approx(bars[1].x + bars[1].width)
    assert all(bar.x >= LEFT and bar.x + bar.width <= WIDTH and 0 < bar.label_x < WIDTH for bar in bars)


@given(
    st.lists(
        st.tuples(st.floats(0, 100), st.floats(0.25, 60)).map(lambda span: (span[0], span[0] + span[1])),
        min_size=1,
        max_size=8,
    )
)
@example([(0, 60), (60, 61)])
@example([(0, 1), (1, 60)])
def test_the_number_of_a_drying_lies_on_its_own_bar_or_on_none(spans):
    now = timezone.now()
    stretches = [
        Stretch(now + timedelta(hours=start), now + timedelta(hours=end), str(n), is_running=False)
        for n, (start, end) in enumerate(spans)
    ]
    ((_, _, bars),) = draw_week([("One", stretches)], now).lanes
    for bar in bars:
        left, right = bar.label_x - LABEL_PX / 2, bar.label_x + LABEL_PX / 2
        over = [
            other
            for other in bars
            if other.y == bar.y and other.x + 0.02 < right and left + 0.02 < other.x + other.width
        ]
        assert over == ([bar] if bar.is_label_inside else [])
        assert left + LABEL_PX >= 0 and right <= WIDTH + 0.02
