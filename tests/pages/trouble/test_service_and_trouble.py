"""Service done in one tap, trouble told and settled, changes of material, with bad input too."""

import re

import pytest
from django.test import Client
from django.urls import reverse
from django.utils.text import capfirst

from maintenance.models import Fitting, Reminder, ServiceEntry, ServiceKind, TroubleOutcome, TroubleReport
from maintenance.service.records import record_service
from maintenance.trouble.reports import record_outcome, report_job_trouble
from pages.flow.forms import SHORT_CHECK
from tests.pages.shown import due_rows, notes, notices, require_refused, shows
from tests.pages.small_shop import a_job, local_input
from tests.spools.conftest import hours_ago


@pytest.fixture
def worn(shop):
    """North has printed 4 of the 3 hot hours that its hot end may, and 4 of 150 hours for its belts."""
    ServiceKind.objects.filter(pk=shop.cleaning.pk).update(interval=3)
    return a_job(shop, hours=4, nozzle_c=205, start=hours_ago(4.5))


def service_page(shop) -> str:
    return reverse("service", args=[shop.toolheads[0].printer_id])


def used(page, kind: ServiceKind) -> tuple[float, float]:
    """How much of the interval of a service is used on North, and the interval."""
    row = next(row for row in page.context["rows"] if row["status"].kind == kind)
    return (round(row["since"].used, 6), row["since"].interval)


def done_page(shop) -> str:
    return reverse("service-done", args=[shop.toolheads[0].printer_id])


# Service


@pytest.mark.django_db(transaction=True)
def test_a_service_is_done_in_one_tap_from_its_reminder(shop, desk, worn):
    reminders = desk.get(reverse("reminders"))
    assert "clean" in [row.reminder.kind for row in due_rows(reminders)]
    assert service_page(shop) in reminders.content.decode()
    page = desk.get(service_page(shop))
    assert used(page, shop.cleaning) == (4, 3) and shows(page, "4", "3", note="service_used")
    assert shows(page, "PLA", note="pull")
    one_tap = {"kind": shop.cleaning.pk, "toolhead": shop.toolheads[0].pk}
    after = desk.post(done_page(shop), one_tap, follow=True)
    assert notices(after) == ["success"] and used(after, shop.cleaning) == (0, 3)
    entry = ServiceEntry.objects.get()
    assert (entry.toolhead, entry.recorded_by) == (shop.toolheads[0], shop.user)
    assert not Reminder.objects.filter(kind="clean", ended_at=None).exists()


def test_a_service_that_was_not_done_is_withdrawn(shop, desk, worn):
    entry = record_service(shop.belts, printer=shop.toolheads[0].printer)
    address = reverse("withdraw", args=["service", entry.pk])
    after = desk.post(address, {"reason": "the other machine"}, follow=True)
    assert shows(after, "the other machine", note="withdrawn") and used(after, shop.belts) == (4, 150)
    require_refused(desk.post(address, {"reason": "again"}, follow=True), "withdrawn_already")


def test_an_earlier_service_is_recorded_with_its_time(shop, desk, worn):
    values = {"kind": shop.belts.pk, "when": local_input(hours_ago(2)), "note": "one was slack"}
    assert desk.post(done_page(shop), values).status_code == 302
    assert ServiceEntry.objects.get().at == hours_ago(2)
    assert shows(desk.get(service_page(shop)), "one was slack")


@pytest.mark.parametrize(
    ("values", "field", "code"),
    [
        ({"kind": "999"}, "kind", "invalid_choice"),
        ({"kind": "belts", "when": "2190-01-01T10:00"}, "when", "in_the_future"),
        ({"kind": "belts", "note": "x" * 201}, "note", "max_length"),
        ({"kind": "cleaning"}, "toolhead", "toolhead_missing"),
        ({"kind": "cleaning", "toolhead": "other"}, "toolhead", "invalid_choice"),
    ],
)
def test_a_service_that_cannot_be_is_refused_beside_its_field(shop, desk, values, field, code):
    ids = {"belts": shop.belts.pk, "cleaning": shop.cleaning.pk, "other": shop.toolheads[1].pk}
    response = desk.post(done_page(shop), {name: ids.get(text, text) for name, text in values.items()})
    require_refused(response, code, field)
    assert not ServiceEntry.objects.exists()


def test_an_interval_is_changed_and_a_service_added_or_given_up(shop, desk, worn):
    address = reverse("service-kind", args=[shop.cleaning.pk])
    form = desk.get(address).context["form"]
    values = {name: value for name, value in form.initial.items() if value not in (False, None)}
    assert desk.post(address, values | {"interval": "100"}).status_code == 302
    assert not Reminder.objects.filter(kind="clean", ended_at=None).exists()
    require_refused(desk.post(address, values | {"interval": "-3"}), "min_value", "interval")
    require_refused(desk.post(address, values | {"subject": "printer"}), "unit_of_a_toolhead")
    new = values | {"name": "fan check", "work": "other", "unit": "days"}
    assert desk.post(reverse("service-kind-new"), new).status_code == 302
    given_up = {name: value for name, value in new.items() if name != "in_use"}
    fan = ServiceKind.objects.get(name="fan check")
    desk.post(reverse("service-kind", args=[fan.pk]), given_up)
    assert shows(desk.get(service_page(shop)), "fan check", note="not_scheduled")


# Trouble


def test_a_report_of_a_failed_job_lists_its_causes_in_order(shop, desk, worn):
    job_page = desk.get(reverse("job", args=[worn.pk])).content.decode()
    address = reverse("trouble-new") + f"?job={worn.pk}"
    assert address in job_page
    form = desk.get(address).context["form"]
    first = form.fields["print"].choices[0][0]
    values = {"print": first, "symptoms": ["gaps", "skips"], "note": "thin <walls>"}
    page = desk.post(reverse("trouble-new"), values, follow=True)
    report = TroubleReport.objects.get()
    assert (report.job, report.recorded_by) == (worn, shop.user)
    assert page.request["PATH_INFO"] == reverse("trouble", args=[report.pk])
    causes = re.findall(r'name="cause" value="(\w+)"', page.content.decode())
    assert causes[0] == "residue" and shows(page, "4 of 3") and "quickest_test" in notes(page)
    outside = page.context["outside"]
    assert outside and shows(page, *(capfirst(cause.sentence) for cause in outside))
    assert "thin &lt;walls&gt;" in page.content.decode()
    check = page.context["flow_check"]
    assert f"nozzle_c={worn.nozzle_c:g}" in check and "short_check" in notes(page)
    assert desk.get(check).context["plan"].initial["rates"] == SHORT_CHECK["rates"]
    listed = desk.get(reverse("troubles"))
    assert shows(listed, TroubleOutcome.Cause.RESIDUE.label, note="first_to_test")
    assert reverse("trouble", args=[report.pk]) in desk.get(reverse("job", args=[worn.pk])).content.decode()


@pytest.mark.parametrize(
    ("cause", "page"),
    [
        ("wet", "spool-dry"),
        ("gears_worn", "part-replace"),
        ("nozzle_worn", "part-replace"),
        ("residue", "service-done"),
        ("tangle", "spools"),
    ],
)
def test_a_confirmed_cause_leads_to_its_remedy(shop, desk, worn, cause, page):
    report = report_job_trouble(worn, ["gaps"])
    address = reverse("trouble-outcome", args=[report.pk])
    after = desk.post(address, {"cause": cause, "note": "seen under the lamp"}, follow=True)
    assert notices(after) == ["success"] and shows(after, "seen under the lamp")
    step = after.context["step"]
    assert report.outcomes.get().cause == cause and step["action"] and shows(after, step["action"])
    answer = desk.get(step["address"])
    assert (answer.status_code, answer.resolver_match.url_name) == (200, page)


def test_worn_gears_are_replaced_in_one_more_tap_and_counted_as_worn(shop, desk, worn):
    report = report_job_trouble(worn, ["skips"])
    outcome = reverse("trouble-outcome", args=[report.pk])
    address = desk.post(outcome, {"cause": "gears_worn"}, follow=True).context["step"]["address"]
    old = Fitting.objects.get(toolhead=shop.toolheads[0], role="gears", end=None)
    assert desk.post(address, desk.get(address).context["form"].initial).status_code == 302
    old.refresh_from_db()
    assert old.removal == "worn"
    # The gears of that print are off: nothing is left to replace.
    assert desk.get(reverse("trouble", args=[report.pk])).context["step"]["address"] == ""


@pytest.mark.parametrize("cause", ["settings", "not_found", "mistake", "nature", "leftover"])
def test_a_cause_that_is_no_consumable_needs_no_part(shop, desk, worn, cause):
    report = report_job_trouble(worn, ["strings"])
    page = desk.post(reverse("trouble-outcome", args=[report.pk]), {"cause": cause}, follow=True)
    assert page.status_code == 200 and not (page.context["step"] or {}).get("address")


def test_bad_input_is_refused_and_nothing_is_stored(shop, desk, worn):
    form = desk.get(reverse("trouble-new")).context["form"]
    first = form.fields["print"].choices[0][0]
    for values, field, code in [
        ({"print": first}, "symptoms", "required"),
        ({"print": first, "symptoms": ["smoke"]}, "symptoms", "invalid_choice"),
        ({"print": "use-0", "symptoms": ["gaps"]}, "print", "invalid_choice"),
        ({"print": first, "symptoms": ["gaps"], "note": "x" * 301}, "note", "max_length"),
        (
            {
                "print": next(key for key, _ in form.fields["print"].choices if key.startswith("loading")),
                "symptoms": ["gaps"],
                "when": local_input(hours_ago(9)),
            },
            "__all__",
            "not_loaded_then",
        ),
    ]:
        require_refused(desk.post(reverse("trouble-new"), values), code, field)
    assert not TroubleReport.objects.exists()
    for odd in ("x", "0", "9" * 30, "-1"):
        assert desk.get(reverse("trouble-new") + f"?job={odd}").status_code == 200
    report = report_job_trouble(worn, ["gaps"])
    refused = desk.post(reverse("trouble-outcome", args=[report.pk]), {"cause": "sabotage"}, follow=True)
    assert notices(refused) == ["impossible_outcome error"] and not report.outcomes.exists()


def test_a_print_without_a_job_is_reported_by_its_loading(shop, desk):
    form = desk.get(reverse("trouble-new")).context["form"]
    key = next(key for key, _ in form.fields["print"].choices if key.startswith("loading"))
    page = desk.post(reverse("trouble-new"), {"print": key, "symptoms": ["rough"], "when": ""}, follow=True)
    assert page.status_code == 200
    assert TroubleReport.objects.get().job is None
    other = desk.post(reverse("trouble-new"), {"print": key, "symptoms": ["rough", "gaps"], "when": ""})
    assert other.status_code == 302


def test_a_shop_without_prints_shows_the_first_step(db, django_user_model):
    client = Client()
    client.force_login(django_user_model.objects.create_user("ada", role="set_up"))
    assert "no_print" in notes(client.get(reverse("trouble-new")))
    assert "no_trouble" in notes(client.get(reverse("troubles")))


def test_a_settled_report_is_listed_with_what_it_was(shop, desk, worn):
    record_outcome(report_job_trouble(worn, ["gaps"]), "residue")
    assert shows(desk.get(reverse("troubles")), TroubleOutcome.Cause.RESIDUE.label, note="cause")


# Changes of material


def test_the_load_page_shows_leftovers_of_the_material_before(shop, desk, worn):
    nylon = shop.spools[1]
    address = reverse("spool-load", args=[nylon.code]) + f"?toolhead={shop.toolheads[0].pk}"
    assert shows(desk.get(address), "PLA", "268 °C", note="change_of_material")
    fresh = reverse("spool-load", args=[nylon.code]) + f"?toolhead={shop.toolheads[1].pk}"
    assert "change_of_material" not in notes(desk.get(fresh))
