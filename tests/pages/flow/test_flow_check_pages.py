"""The flow check's pages: plan, record, look at, withdraw, with bad input too."""

import re

import pytest
from django.urls import reverse
from hypothesis import given, settings
from hypothesis import strategies as st

from maintenance.changes import FLOW, PARTS
from maintenance.flow.control_chart import START
from maintenance.models import FlowCheck, Job
from maintenance.reminders.sweep import sweep_subjects
from pages.flow.charts import draw_curve
from tests.maintenance.flow.flow_lab import check
from tests.maintenance.flow.test_curve import check as curve_of
from tests.pages.small_shop import says
from tests.spools.conftest import hours_ago

MASSES = [0.596, 0.577, 0.551, 0.596, 0.575, 0.549, 0.595]


@pytest.fixture
def plan(shop) -> dict:
    loading = shop.toolheads[0].loadings.get()
    return {
        "loading": loading.pk,
        "nozzle_c": 215,
        "rates": "1, 4, 8",
        "repeats": 2,
        "length_mm": 200,
        "resolution_g": 0.001,
        "diameter_mm": "",
        "diameter_tolerance_mm": 0.05,
    }


def masses(*numbers) -> dict:
    return {f"blob_{n}": mass for n, mass in enumerate(numbers, start=1)}


def test_from_the_machine_to_the_recorded_check(shop, desk, plan):
    toolhead = shop.toolheads[0]
    flow = reverse("toolhead-flow", args=[toolhead.pk])
    assert flow in desk.get(reverse("machine", args=[toolhead.printer_id])).content.decode()
    new = re.search(r'href="([^"]*flow-checks/new/[^"]*)"', desk.get(flow).content.decode()).group(1)
    assert desk.get(new).context["plan"].initial["loading"] == str(plan["loading"])
    planned = desk.get(reverse("flow-check-new"), plan)
    assert says(planned, "7 blobs of 200 mm, 0.597 g each")
    assert says(planned, "G1 E50 F24.9") and says(planned, "M0 ; take blob 7 off")
    assert says(planned, "the nozzle burns at once") and says(planned, "Blob 7 at 1 mm³/s")
    answer = desk.post(reverse("flow-check-new"), plan | masses(*MASSES))
    made = FlowCheck.objects.get()
    assert answer.url == reverse("flow-check", args=[made.pk])
    page = desk.get(answer.url)
    assert says(page, "Usable flow, 5 % lost") and says(page, "7.7 ± 0.") and says(page, "Likely reading")
    assert made.recorded_by == shop.user and made.blobs.count() == 7
    assert says(desk.get(flow), "3 more until its first value")
    assert says(desk.get(reverse("spool-history", args=[made.spool.code])), "4.04 g: flow check on North T0")


def test_a_heavier_reference_is_reported(shop, desk, plan):
    desk.post(reverse("flow-check-new"), plan | masses(*(1.01 * mass for mass in MASSES)))
    page = desk.get(reverse("flow-check", args=[FlowCheck.objects.get().pk]))
    assert says(page, "The slow reference itself is 0.") and says(page, "% heavier than the commanded mass")


def test_a_plan_shows_its_uncertainty_once(shop, desk, plan):
    page = desk.get(reverse("flow-check-new"), plan | {"resolution_g": 0.02})
    assert says(page, "With this scale and length a loss is uncertain by 1.9 %")
    assert not says(page, "A loss will be uncertain")


def test_a_lost_blob_stays_empty(shop, desk, plan):
    assert desk.post(reverse("flow-check-new"), plan | masses(*MASSES[:3], "")).status_code == 302
    assert FlowCheck.objects.get().blobs.count() == 3


BAD_PLANS = {
    "a coarse scale": ({"resolution_g": 0.1}, "too coarse"),
    "too short": ({"length_mm": 25, "resolution_g": 0.01}, "Extrude at least 80 mm"),
    "a scale that no length helps": ({"resolution_g": 1}, "Take a finer scale: no length would do."),
    "hotter than its liner stands": ({"nozzle_c": 250}, "the PTFE liner allows 240 °C"),
    "far too cool": ({"nozzle_c": 5}, "PLA prints at"),
    "no length": ({"length_mm": 0}, "between 20 and 2000"),
    "rates out of order": ({"rates": "1, 8, 4"}, "rising order"),
    "a rate twice": ({"rates": "1, 4, 4"}, "there twice"),
    "rates that are no numbers": ({"rates": "slow, fast"}, "“slow” is no number"),
    "rates without end": ({"rates": "1, inf, 8"}, "between 0.01 and 500"),
    "no rates": ({"rates": ""}, "required"),
    "a diameter that is none": ({"diameter_mm": "thick"}, "Enter a number"),
    "no such spool": ({"loading": 10**25}, "Select a valid choice"),
    "a thousand rounds": ({"repeats": 1000}, "less than or equal to 9"),
}


def test_an_impossible_plan_is_refused_before_the_start(shop, desk, plan):
    for what, (values, text) in BAD_PLANS.items():
        page = desk.get(reverse("flow-check-new"), plan | values)
        assert says(page, text) and not says(page, "G-code"), what
        assert desk.post(reverse("flow-check-new"), plan | values | masses(*MASSES)).status_code == 200
    assert not FlowCheck.objects.exists()


BAD_MASSES = {
    "too heavy": (masses(0.596, 0.577, 0.7, *MASSES[3:]), "heavier than 200 mm"),
    "a reference of nothing": (masses(0, 0.577, 0.551, 0, 0.575, 0.549, 0), "weighs nothing"),
    "a rate that was not weighed": (masses(0.596, "", 0.551, 0.596, "", 0.549, 0.596), "Weigh one at least"),
    "no number": (masses("much", *MASSES[1:]), "Enter a number"),
    "not a number": (masses("nan", *MASSES[1:]), "Enter a number"),
    "less than nothing": (masses(-1, *MASSES[1:]), "greater than or equal to 0"),
    "of tomorrow": (masses(*MASSES) | {"when": "2199-01-01T10:00"}, "future"),
    "at no time": (masses(*MASSES) | {"when": "later"}, "valid date"),
}


def test_impossible_masses_are_refused_and_stay_in_the_form(shop, desk, plan):
    for what, (values, text) in BAD_MASSES.items():
        page = desk.post(reverse("flow-check-new"), plan | values)
        assert page.status_code == 200 and says(page, text) and says(page, "Nothing was saved"), what
        assert page.context["form"]["blob_3"].value() is not None
    heavy = desk.post(reverse("flow-check-new"), plan | BAD_MASSES["too heavy"][0])
    assert says(heavy, "Blob 3 at 8 mm³/s, g : A blob at 8 mm³/s of 0.7 g is heavier")
    assert not FlowCheck.objects.exists()
    again = desk.get(reverse("flow-check-new") + f"?{page.context['planned']}&change=1")
    assert again.context["plan"]["rates"].value() == "1, 4, 8" and not says(again, "G-code")


def test_a_check_is_withdrawn_once(shop, desk):
    made = check(shop.toolheads[0], shop.spools[0], hours_ago(2))
    address = reverse("withdraw", args=["flow-check", made.pk])
    assert says(desk.post(address, {"reason": ""}), "required")
    assert desk.post(address, {"reason": "another scale"}).status_code == 302
    page = desk.get(reverse("flow-check", args=[made.pk]))
    assert says(page, "another scale") and not says(page, "Withdraw this check")
    assert says(desk.post(address, {"reason": "again"}), "already")
    assert says(desk.get(reverse("toolhead-flow", args=[made.toolhead_id])), "No flow check yet")


def test_a_rising_loss_is_drawn_described_and_reminded_of(shop, desk):
    toolhead = shop.toolheads[0]
    for n, slip in enumerate([0.0] * START + [0.3, 0.6, 0.9]):
        check(toolhead, shop.spools[0], hours_ago(4.5 - n / 2), slip)
    page = desk.get(reverse("toolhead-flow", args=[toolhead.pk]))
    assert says(page, "rises: signalled since") and says(page, "drive gears slip")
    assert page.content.decode().count("chart-signal") > 2
    sweep_subjects([PARTS, FLOW])
    reminders = desk.get(reverse("reminders"))
    assert says(reminders, "Look at the Steel gears on North T0: its flow loss rises")
    assert reverse("toolhead-flow", args=[toolhead.pk]) in reminders.content.decode()


@given(st.lists(st.floats(0, 1), min_size=4, max_size=4), st.floats(0, 0.1))
@settings(max_examples=30)
def test_whatever_a_curve_is_it_is_drawn_within_its_box(losses, scatter):
    drawn = draw_curve(curve_of([0, *losses], scatter=scatter, short=0.12))
    numbers = [float(n) for n in f"{drawn.line} {drawn.band}".replace(",", " ").split()]
    xs = [*numbers[::2], *(x for x, _, _ in drawn.points), *(x for x, _ in drawn.x_ticks)]
    ys = [*numbers[1::2], *(y for _, a, b in drawn.bars for y in (a, b)), *(y for y, _ in drawn.y_ticks)]
    assert drawn.left <= min(xs) and max(xs) <= drawn.right + 0.1
    assert drawn.top - 0.1 <= min(ys) and max(ys) <= drawn.bottom + 0.1
    assert len(drawn.points) == len(drawn.bars) == 5


def test_a_job_may_state_its_fastest_flow(shop, desk):
    check(shop.toolheads[0], shop.spools[0], hours_ago(2), slip=1)
    job = {"loading": shop.toolheads[0].loadings.get().pk, "name": "vase", "mass_g": 20, "hours": 1}
    job |= {"nozzle_c": 215, "bed_c": 55, "max_flow_mm3_s": 11}
    checked = desk.post(reverse("job-new"), job | {"check": "1"})
    assert says(checked, "lost 10 % at 9.2")
    job |= {"record": "1", "checked": checked.context["verdict_key"], "override_reason": "a test"}
    assert desk.post(reverse("job-new"), job).status_code == 302
    made = Job.objects.get()
    assert made.max_flow_mm3_s == 11 and says(desk.get(reverse("job", args=[made.pk])), "up to 11 mm³/s")
