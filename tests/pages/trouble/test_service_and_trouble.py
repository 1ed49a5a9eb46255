"""Service done in one tap, trouble told and settled, changes of material, with bad input too."""

import pytest
from django.test import Client
from django.urls import reverse

from maintenance.models import Fitting, Reminder, ServiceEntry, ServiceKind, TroubleReport
from maintenance.service.records import record_service
from maintenance.trouble.reports import record_outcome, report_job_trouble
from tests.pages.small_shop import a_job, local_input, says
from tests.spools.conftest import hours_ago


@pytest.fixture
def worn(shop):
    """North has printed 60 of the 50 hot hours that its hot end may, and 60 of 150 hours for its belts."""
    return a_job(shop, hours=60, nozzle_c=205, start=hours_ago(4.5))


def service_page(shop) -> str:
    return reverse("service", args=[shop.toolheads[0].printer_id])


def done_page(shop) -> str:
    return reverse("service-done", args=[shop.toolheads[0].printer_id])


# Service


@pytest.mark.django_db(transaction=True)
def test_a_service_is_done_in_one_tap_from_its_reminder(shop, desk, worn):
    reminders = desk.get(reverse("reminders"))
    assert (
        says(reminders, "Hot-end cleaning on North T0") and service_page(shop) in reminders.content.decode()
    )
    page = desk.get(service_page(shop))
    assert says(page, "60 of 50 hot hours since its first job; none is recorded")
    assert says(page, "After PLA: fill the hot end with the same")
    one_tap = {"kind": shop.cleaning.pk, "toolhead": shop.toolheads[0].pk}
    after = desk.post(done_page(shop), one_tap, follow=True)
    assert says(after, "Hot-end cleaning: recorded as done.") and says(after, "0 of 50 hot hours since")
    entry = ServiceEntry.objects.get()
    assert (entry.toolhead, entry.recorded_by) == (shop.toolheads[0], shop.user)
    assert not Reminder.objects.filter(kind="clean", ended_at=None).exists()


def test_a_service_that_was_not_done_is_withdrawn(shop, desk, worn):
    entry = record_service(shop.belts, printer=shop.toolheads[0].printer)
    address = reverse("withdraw", args=["service", entry.pk])
    after = desk.post(address, {"reason": "the other machine"}, follow=True)
    assert says(after, "the other machine") and says(after, "60 of 150 printing hours")
    assert says(desk.post(address, {"reason": "again"}, follow=True), "already")


def test_an_earlier_service_is_recorded_with_its_time(shop, desk, worn):
    values = {"kind": shop.belts.pk, "when": local_input(hours_ago(2)), "note": "one was slack"}
    assert desk.post(done_page(shop), values).status_code == 302
    assert ServiceEntry.objects.get().at == hours_ago(2)
    assert says(desk.get(service_page(shop)), "one was slack")


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"kind": "999"}, "valid choice"),
        ({"kind": "belts", "when": "2190-01-01T10:00"}, "in the future"),
        ({"kind": "belts", "note": "x" * 201}, "at most 200"),
        ({"kind": "cleaning"}, "Say on which toolhead"),
        ({"kind": "cleaning", "toolhead": "other"}, "valid choice"),
    ],
)
def test_a_service_that_cannot_be_is_refused_beside_its_field(shop, desk, values, words):
    ids = {"belts": shop.belts.pk, "cleaning": shop.cleaning.pk, "other": shop.toolheads[1].pk}
    response = desk.post(done_page(shop), {name: ids.get(text, text) for name, text in values.items()})
    assert response.status_code == 200
    assert says(response, "Nothing was saved.") and says(response, words)
    assert not ServiceEntry.objects.exists()


def test_an_interval_is_changed_and_a_service_added_or_given_up(shop, desk, worn):
    address = reverse("service-kind", args=[shop.cleaning.pk])
    form = desk.get(address).context["form"]
    values = {name: value for name, value in form.initial.items() if value is not False}
    assert desk.post(address, values | {"interval": "100"}).status_code == 302
    assert not Reminder.objects.filter(kind="clean", ended_at=None).exists()
    assert says(desk.post(address, values | {"interval": "-3"}), "Nothing was saved.")
    assert says(desk.post(address, values | {"subject": "printer"}), "belong to toolheads")
    new = values | {"name": "fan check", "work": "other", "unit": "days"}
    assert desk.post(reverse("service-kind-new"), new).status_code == 302
    given_up = {name: value for name, value in new.items() if name != "in_use"}
    fan = ServiceKind.objects.get(name="fan check")
    desk.post(reverse("service-kind", args=[fan.pk]), given_up)
    assert says(desk.get(service_page(shop)), "Not scheduled: fan check")


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
    assert says(page, "Residue narrows the hot end likely") and says(page, "60 of 50 hot hours")
    assert says(page, "Quickest test:") and says(page, "Faster than the hot end melts")
    assert "thin &lt;walls&gt;" in page.content.decode()
    assert says(desk.get(reverse("troubles")), "First to test: Residue narrows the hot end")
    assert reverse("trouble", args=[report.pk]) in desk.get(reverse("job", args=[worn.pk])).content.decode()


@pytest.mark.parametrize(
    ("cause", "says_next", "page"),
    [
        ("wet", "Plan its drying", "spool-dry"),
        ("gears_worn", "Replace it, recorded as worn", "part-replace"),
        ("nozzle_worn", "Replace it, recorded as worn", "part-replace"),
        ("residue", "Record it as done", "service-done"),
        ("tangle", "Choose another spool", "spools"),
    ],
)
def test_a_confirmed_cause_leads_to_its_remedy(shop, desk, worn, cause, says_next, page):
    report = report_job_trouble(worn, ["gaps"])
    address = reverse("trouble-outcome", args=[report.pk])
    after = desk.post(address, {"cause": cause, "note": "seen under the lamp"}, follow=True)
    assert says(after, "saved as the cause") and says(after, "seen under the lamp")
    step = after.context["step"]
    assert step["action"] == says_next
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
    for values, words in [
        ({"print": first}, "Choose at least one sign."),
        ({"print": first, "symptoms": ["smoke"]}, "valid choice"),
        ({"print": "use-0", "symptoms": ["gaps"]}, "valid choice"),
        ({"print": first, "symptoms": ["gaps"], "note": "x" * 301}, "at most 300"),
        (
            {
                "print": next(key for key, _ in form.fields["print"].choices if key.startswith("loading")),
                "symptoms": ["gaps"],
                "when": local_input(hours_ago(9)),
            },
            "was not on North T0",
        ),
    ]:
        response = desk.post(reverse("trouble-new"), values)
        assert response.status_code == 200 and says(response, words), words
    assert not TroubleReport.objects.exists()
    for odd in ("x", "0", "9" * 30, "-1"):
        assert desk.get(reverse("trouble-new") + f"?job={odd}").status_code == 200
    report = report_job_trouble(worn, ["gaps"])
    refused = desk.post(reverse("trouble-outcome", args=[report.pk]), {"cause": "sabotage"}, follow=True)
    assert says(refused, "Nothing was saved.") and not report.outcomes.exists()


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
    client.force_login(django_user_model.objects.create_user("ada"))
    assert says(client.get(reverse("trouble-new")), "load a spool and record the print first")
    assert says(client.get(reverse("troubles")), "No trouble is recorded.")


def test_a_settled_report_is_listed_with_what_it_was(shop, desk, worn):
    record_outcome(report_job_trouble(worn, ["gaps"]), "residue")
    assert says(desk.get(reverse("troubles")), "Cause: Residue narrows the hot end")


# Changes of material


def test_the_load_page_shows_leftovers_of_the_material_before(shop, desk, worn):
    nylon = shop.spools[1]
    address = reverse("spool-load", args=[nylon.code]) + f"?toolhead={shop.toolheads[0].pk}"
    assert says(desk.get(address), "Change of material: PLA was in it last and chars at 268 °C")
    fresh = reverse("spool-load", args=[nylon.code]) + f"?toolhead={shop.toolheads[1].pk}"
    assert not says(desk.get(fresh), "Change of material")
