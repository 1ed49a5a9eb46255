"""Every shop page in few queries; places, materials and drying with bad input too."""

from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from django.utils.text import capfirst

from maintenance.models import Fitting, Reminder
from maintenance.trouble.reports import report_job_trouble
from spools.air.climate import record_readings
from spools.codes import pretty
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.inventory.moves import current_stay
from spools.models import DryingRun, Feedstock, Place, Reading, ReadingWithdrawal, Source
from spools.wording import format_number, format_time
from tests.pages.shown import notes, notices, require_refused, shows
from tests.pages.small_shop import a_job, a_reminder, local_input
from tests.spools.conftest import hours_ago

MOST_QUERIES = 17
MOST_QUERIES_OF_A_PLAN = 31
# A job has its steps, the forms of those that can follow, its cost, and its grams by a scale.
MOST_QUERIES_OF_A_JOB = 25
# The picture of a machine has the verdicts of its spools.
MOST_QUERIES_OF_A_PICTURE = 25


# Pages


def test_every_page_answers_in_few_queries(shop, desk):
    run = start_drying(
        [shop.spools[1]], shop.dryer, DryingSettings(70, planned_hours=8), at=hours_ago(30), gross_g=None
    )[0]
    finish_drying(run, place=shop.box, at=hours_ago(20))
    start_drying(shop.spools[4:6], shop.dryer, DryingSettings(70, planned_hours=8), at=hours_ago(3))
    created = a_job(shop)
    observed = report_job_trouble(created, ["strings"])
    for n in range(3):
        a_reminder(shop, condition=f"dry:spool:{n}")
    fitting = Fitting.objects.filter(end=None).first()
    addresses = [
        reverse("places"),
        reverse("place", args=[shop.shelf.pk]),
        reverse("place", args=[shop.dryer.pk]),
        reverse("place-new"),
        reverse("place-edit", args=[shop.dryer.pk]),
        reverse("place-readings", args=[shop.shelf.pk]),
        reverse("materials"),
        reverse("material", args=[shop.nylon.polymer_id]),
        reverse("feedstock", args=[shop.carbon.pk]),
        reverse("feedstock-new"),
        reverse("feedstock-edit", args=[shop.carbon.pk]),
        reverse("drying"),
        reverse("drying-start", args=[shop.dryer.pk]),
        reverse("drying-finish", args=[shop.dryer.pk]),
        reverse("machines"),
        reverse("machine", args=[created.printer_id]),
        reverse("machine-new"),
        reverse("service", args=[created.printer_id]),
        reverse("service-done", args=[created.printer_id]),
        reverse("service-kind-new"),
        reverse("service-kind", args=[shop.belts.pk]),
        reverse("troubles"),
        reverse("trouble-new"),
        reverse("trouble", args=[observed.pk]),
        reverse("toolhead-new", args=[created.printer_id]),
        reverse("part-fit", args=[shop.toolheads[3].pk]),
        reverse("printer-part-fit", args=[created.printer_id]),
        reverse("part", args=[fitting.part_id]),
        reverse("bore-new", args=[Fitting.objects.filter(end=None, role="nozzle").first().part_id]),
        reverse("part-kind", args=[fitting.part.kind_id]),
        reverse("part-kind-edit", args=[fitting.part.kind_id]),
        reverse("part-replace", args=[fitting.pk]),
        reverse("part-remove", args=[fitting.pk]),
        reverse("jobs"),
        reverse("job-new"),
        reverse("job", args=[created.pk]),
        reverse("withdraw", args=["job", created.pk]),
        reverse("stock"),
        reverse("stock-add"),
        reverse("part-kind-new"),
        reverse("reminders"),
        reverse("reminder-snooze", args=[Reminder.objects.first().pk]),
        reverse("reminder-complete", args=[Reminder.objects.first().pk]),
    ]
    counts = {}
    for address in addresses:
        # What is computed once and stored is so the second time.
        desk.get(address)
        with CaptureQueriesContext(
            connection,
        ) as queries:
            assert desk.get(address).status_code == 200, address
        counts[address] = len(queries)
    # It works out when what is in the dryers will be dry.
    assert counts.pop(reverse("drying")) <= MOST_QUERIES_OF_A_PLAN
    assert counts.pop(reverse("job", args=[created.pk])) <= MOST_QUERIES_OF_A_JOB
    for machines in (reverse("machines"), reverse("machine", args=[created.printer_id])):
        assert counts.pop(machines) <= MOST_QUERIES_OF_A_PICTURE
    assert {address: count for address, count in counts.items() if count > MOST_QUERIES} == {}


def test_a_plan_for_more_spools_needs_no_more_queries(shop, desk):
    # A plan reads the whole past of its spools, therefore more than other pages; once for all of them.
    counts = []
    desk.get(drying_address(shop), {"spools": [spool.pk for spool in shop.spools]})
    for spools in ([shop.spools[1]], [shop.spools[1], shop.spools[4], shop.spools[7]]):
        with CaptureQueriesContext(connection) as queries:
            assert (
                desk.get(drying_address(shop), {"spools": [spool.pk for spool in spools]}).status_code == 200
            )
        counts.append(len(queries))
    assert counts[0] <= MOST_QUERIES_OF_A_PLAN
    assert counts[1] <= counts[0] + 2 * (3 - 1), "two more a spool to look at its cap"


def test_a_stranger_is_asked_to_sign_in(shop):
    for name in ("places", "drying", "machines", "jobs", "troubles", "stock", "materials", "reminders"):
        response = Client().get(reverse(name))
        assert response.status_code == 302
        assert response["Location"].startswith(reverse("sign-in"))


def test_a_form_without_its_token_is_refused(shop):
    client = Client(enforce_csrf_checks=True)
    client.force_login(shop.user)
    assert client.post(reverse("stock-add"), {"kind": shop.brass.pk, "count": 1}).status_code == 403


@pytest.mark.parametrize(
    "name",
    ["place", "material", "feedstock", "drying-start", "machine", "part-replace", "job", "reminder-complete"],
)
def test_a_missing_row_is_not_found(desk, name):
    assert desk.get(reverse(name, args=[99999])).status_code == 404


# Places


def test_a_place_shows_whether_its_air_is_measured_or_assumed(shop, desk):
    shelf = desk.get(reverse("place", args=[shop.shelf.pk]))
    assert shelf.context["climate"].origin == "reading"
    assert shows(shelf, capfirst(shelf.context["climate"].source.sentence))
    assert shelf.content.count(b'class="chart-line') >= 2
    box = desk.get(reverse("place", args=[shop.box.pk]))
    assert box.context["climate"].origin == "assumed"
    assert shows(box, capfirst(box.context["climate"].source.sentence))
    assert b'class="chart-line' not in box.content


def test_a_place_shows_since_when_its_sensor_is_silent(shop, desk):
    address = reverse("place", args=[shop.box.pk])
    at = hours_ago(9)
    record_readings(shop.box, [(at - timedelta(minutes=5 * n), 22, 15) for n in range(12)], origin="api")
    assert shows(desk.get(address), format_time(at), note="silent")
    record_readings(shop.box, [(hours_ago(0), 22, 15)], origin="api")
    assert "silent" not in notes(desk.get(address))


def test_a_dryer_with_nothing_inside_asks_for_nothing(shop, desk):
    page = desk.get(reverse("drying-finish", args=[shop.dryer.pk]))
    assert "nothing_drying" in notes(page)
    assert b'name="resolution_g"' not in page.content and b'name="when"' not in page.content


def test_a_reading_by_hand_and_a_file(shop, desk):
    address = reverse("place-readings", args=[shop.box.pk])
    by_hand = {"temperature_c": "22.5", "rh_pct": "31", "when": local_input(hours_ago(1)), "by_hand": "1"}
    assert desk.post(address, by_hand).status_code == 302
    stored = Reading.objects.get(place=shop.box)
    assert (stored.temperature_c, stored.rh_pct, stored.origin, stored.at) == (22.5, 31, "hand", hours_ago(1))
    lines = ["time,temperature_c,rh_pct", "2026-01-05 08:00,20,30", "2026-01-05 09:00,20.5,31"]
    file = SimpleUploadedFile("log.csv", "\n".join(lines).encode())
    response = desk.post(address, {"file": file, "by_file": "1"}, follow=True)
    assert notices(response)[-1] == "success" and shop.box.readings.filter(origin="file").count() == 2


@pytest.mark.parametrize(
    ("values", "field", "code", "names"),
    [
        ({"temperature_c": "20", "rh_pct": "140"}, "rh_pct", "max_value", ["0", "100 % RH", "140"]),
        ({"temperature_c": "nan", "rh_pct": "40"}, "temperature_c", "invalid", []),
        ({"temperature_c": "21;5", "rh_pct": "40"}, "temperature_c", "invalid", ["1.5"]),
        ({"temperature_c": "", "rh_pct": "40"}, "temperature_c", "required", []),
    ],
)
def test_an_impossible_reading_is_refused(shop, desk, values, field, code, names):
    response = desk.post(reverse("place-readings", args=[shop.box.pk]), values | {"by_hand": "1"})
    require_refused(response, code, field, names=names)
    assert not shop.box.readings.exists()


def test_a_reading_of_tomorrow_is_refused(shop, desk):
    tomorrow = local_input(timezone.now() + timedelta(days=1))
    values = {"temperature_c": "20", "rh_pct": "40", "when": tomorrow, "by_hand": "1"}
    response = desk.post(reverse("place-readings", args=[shop.box.pk]), values)
    require_refused(response, "in_the_future", "when")
    assert response.context["reading_form"].errors.keys() == {"when"}
    assert not shop.box.readings.exists()


@pytest.mark.parametrize(
    "content",
    [b"\x00\x01\xff", b"x" * 10 * 2**20 + b"x", b"", b"a,b\n1,2\n", b"time,temperature_c,rh_pct\n7,8,9\n"],
)
def test_a_file_that_is_no_csv_is_refused(shop, desk, content):
    file = SimpleUploadedFile("log.csv", content)
    response = desk.post(reverse("place-readings", args=[shop.box.pk]), {"file": file, "by_file": "1"})
    assert response.status_code == 200
    assert response.context["file_form"].errors
    assert not shop.box.readings.exists()


def test_a_place_is_added_and_changed(shop, desk):
    values = {"name": "Cellar", "kind": "shelf", "assumed_temperature_c": 15, "assumed_rh_pct": 70}
    values |= {"set_point_error_c": 5}
    assert desk.post(reverse("place-new"), values).status_code == 302
    cellar = Place.objects.get(name="Cellar")
    assert (
        desk.post(reverse("place-edit", args=[cellar.pk]), values | {"assumed_rh_pct": 75}).status_code == 302
    )
    cellar.refresh_from_db()
    assert cellar.assumed_rh_pct == 75


@pytest.mark.parametrize(
    ("values", "field", "code"),
    [
        ({"assumed_rh_pct": 140}, "assumed_rh_pct", "max_value"),
        ({"name": "Bags"}, "name", "unique"),
        ({"kind": "dryer"}, "__all__", "set_point_missing"),
        ({"kind": "printer"}, "kind", "place_of_printer"),
    ],
)
def test_an_impossible_place_is_refused(shop, desk, values, field, code):
    given = {"name": "New", "kind": "shelf", "assumed_temperature_c": 15, "assumed_rh_pct": 70}
    given |= {"set_point_error_c": 5}
    before = Place.objects.count()
    require_refused(desk.post(reverse("place-new"), given | values), code, field)
    assert Place.objects.count() == before


# Materials


def test_a_material_shows_each_source_and_how_it_was_come_by(shop, desk):
    polymer = shop.nylon.polymer
    Source.objects.create(
        polymer=polymer,
        subject="PA6",
        field="w50_pct",
        quantity="uptake",
        value="2.8",
        source="A book",
        how="memory",
    )
    response = desk.get(reverse("material", args=[polymer.pk]))
    uptake = next(number for number in response.context["numbers"] if number.name == "w50_pct")
    assert [source.how for source in uptake.sources] == ["memory"]
    assert shows(response, "memory A book")
    [at_50] = [row.cells[0] for row in response.context["sorption"].rows if row.head == "50 %"]
    assert at_50.split(" (")[0] == format_number(polymer.w50_pct)


def test_a_feedstock_shows_its_own_values_apart_from_the_catalogue(shop, desk):
    shop.nylon.dry_cap_c = 75
    shop.nylon.save()
    properties = desk.get(reverse("feedstock", args=[shop.nylon.pk])).context["properties"]
    origins = {prop.name: prop.origin for prop, _ in properties}
    assert (origins["dry_cap_c"], origins["softening_c"]) == ("data sheet", "catalogue")


def feedstock_values(shop, **values) -> dict:
    given = {
        "maker_name": "Hill Polymers",
        "polymer": shop.nylon.polymer_id,
        "name": "Tough",
        "diameter_mm": 1.75,
    }
    return given | {"filler_mass_fraction": 0, "reorder_point_g": 0} | values


def test_a_feedstock_is_added_with_its_maker_and_changed(shop, desk):
    assert (
        desk.post(reverse("feedstock-new"), feedstock_values(shop, dry_cap_c=70, dry_set_c=65)).status_code
        == 302
    )
    created = Feedstock.objects.get(maker__name="Hill Polymers")
    address = reverse("feedstock-edit", args=[created.pk])
    assert desk.post(address, feedstock_values(shop, dry_cap_c=72, dry_set_c=65)).status_code == 302
    created.refresh_from_db()
    assert created.dry_cap_c == 72


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"diameter_mm": 17.5}, "diameter_mm"),
        ({"density_g_cm3": -1}, "density_g_cm3"),
        ({"w50_pct": 1e9}, "w50_pct"),
        ({"nozzle_min_c": 300, "nozzle_max_c": 200}, "nozzle_min_c"),
        ({"dry_cap_c": 40}, "dry_cap_c"),
        ({"filler_mass_fraction": 0.2}, "__all__"),
        ({"maker_name": "Example Works", "name": "PA6"}, "__all__"),
    ],
)
def test_an_impossible_feedstock_is_refused(shop, desk, values, field):
    response = desk.post(reverse("feedstock-new"), feedstock_values(shop, **values))
    assert response.status_code == 200
    assert field in response.context["form"].errors
    assert Feedstock.objects.count() == 3


# Drying


def drying_address(shop) -> str:
    return reverse("drying-start", args=[shop.dryer.pk])


def test_the_plan_names_the_lowest_cap_and_its_spool(shop, desk):
    pla, nylon = shop.spools[3], shop.spools[1]
    response = desk.get(drying_address(shop), {"spools": [pla.pk, nylon.pk]})
    assert response.context["limiting"] == pla
    assert response.context["cap"].cap_c == 50
    assert shows(response, pretty(pla.code), "50 °C", "PLA", note="cap")


def test_spools_are_dried_together_and_taken_out_with_their_loss(shop, desk):
    first, second = shop.spools[1], shop.spools[4]
    started = {
        "spools": [first.pk, second.pk],
        "set_point_c": 70,
        "planned_hours": 8,
        "when": local_input(hours_ago(9)),
        "resolution_g": 0.1,
        f"gross_g_{first.pk}": 1210,
    }
    assert desk.post(drying_address(shop), started).status_code == 302
    runs = list(DryingRun.objects.filter(end=None))
    assert {run.spool for run in runs} == {first, second}
    assert "run_over" in notes(desk.get(reverse("drying")))
    mine = next(run for run in runs if run.spool == first)
    ended = {"resolution_g": 0.1, "when": local_input(hours_ago(1))}
    ended |= {f"run{mine.pk}-out": "on", f"run{mine.pk}-place": shop.box.pk, f"run{mine.pk}-gross_g": 1200}
    response = desk.post(reverse("drying-finish", args=[shop.dryer.pk]), ended, follow=True)
    assert notices(response)[-1] == "success"
    assert shows(response, pretty(first.code), "Dry box", "10.0 g ± 0.1 g", "1.00 %", note="notice")
    assert current_stay(first).place == shop.box
    assert current_stay(second).place == shop.dryer


def test_an_impossible_loss_is_no_success(shop, desk):
    (run,) = start_drying(
        [shop.spools[1]], shop.dryer, DryingSettings(70), at=hours_ago(9), gross_g={shop.spools[1].pk: 1242}
    )
    ended = {"resolution_g": 1, "when": local_input(hours_ago(1)), f"run{run.pk}-out": "on"}
    ended |= {f"run{run.pk}-place": shop.box.pk, f"run{run.pk}-gross_g": 1126}
    response = desk.post(reverse("drying-finish", args=[shop.dryer.pk]), ended, follow=True)
    assert notices(response) == ["success", "drying.impossible_loss warning"]
    assert shows(response, "PA6", "11 %", note="notice") and not shows(response, "±", note="notice")


def test_a_set_point_above_the_cap_is_refused_with_the_cap(shop, desk):
    nylon = shop.spools[1]
    request_data = {"spools": [nylon.pk], "set_point_c": 95}
    started = request_data | {"planned_hours": 8, "resolution_g": 1}
    for page in (desk.get(drying_address(shop), request_data), desk.post(drying_address(shop), started)):
        require_refused(page, "above_cap", "set_point_c", names=["95 °C", "90 °C"])
    assert not DryingRun.objects.exists()


@pytest.mark.parametrize(
    "values",
    [{"planned_hours": -1}, {"planned_hours": "x"}, {"when": "2999-01-01T00:00"}, {"spools": [99999]}],
)
def test_an_impossible_start_is_refused(shop, desk, values):
    given = {"spools": [shop.spools[1].pk], "set_point_c": 70, "planned_hours": 8, "resolution_g": 1}
    assert desk.post(drying_address(shop), given | values).status_code == 200
    assert not DryingRun.objects.exists()


def test_taking_out_needs_a_place_and_is_all_or_nothing(shop, desk):
    runs = start_drying(
        [shop.spools[1], shop.spools[4]], shop.dryer, DryingSettings(70, planned_hours=8), at=hours_ago(9)
    )
    address = reverse("drying-finish", args=[shop.dryer.pk])
    nowhere = {"resolution_g": 1} | {f"run{run.pk}-out": "on" for run in runs}
    require_refused(desk.post(address, nowhere), "place_missing", "place")
    places = {f"run{run.pk}-place": shop.box.pk for run in runs}
    too_light = {f"run{runs[1].pk}-gross_g": 3}
    light = desk.post(address, nowhere | places | too_light)
    require_refused(light, "below_reel_mass", "gross_g", names=["3 g"])
    require_refused(desk.post(address, {"resolution_g": 1}), "no_spool", "__all__")
    assert DryingRun.objects.filter(end=None).count() == 2
    assert desk.post(address, nowhere | places).status_code == 302
    again = desk.post(address, nowhere | places, follow=True)
    assert notices(again)[-1] == "taken_out_already error" and b'class="errors"' not in again.content


def test_a_spool_number_beyond_the_database_is_refused_not_a_fault(shop, desk):
    for ask in (desk.get, desk.post):
        require_refused(ask(drying_address(shop), {"spools": "9" * 20}), "unknown_spool", "spools")


def test_a_wrong_reading_is_corrected_withdrawn_and_admitted_again(shop, desk):
    place = reverse("place", args=[shop.box.pk])
    by_hand = {"temperature_c": "22", "rh_pct": "5", "when": local_input(hours_ago(1)), "by_hand": "1"}
    desk.post(reverse("place-readings", args=[shop.box.pk]), by_hand)
    again = desk.post(reverse("place-readings", args=[shop.box.pk]), by_hand | {"rh_pct": "50"})
    require_refused(again, "reading_present", "when")
    wrong = Reading.objects.get(place=shop.box)
    address = reverse("reading-correct", args=[shop.box.pk, wrong.pk])
    assert address in desk.get(place).content.decode()
    desk.post(address, {"temperature_c": "22", "rh_pct": "50"})
    assert shop.box.readings.get().rh_pct == 50
    span = {"start": local_input(hours_ago(2)), "end": local_input(hours_ago(0)), "reason": "the wrong box"}
    desk.post(reverse("readings-withdraw", args=[shop.box.pk]), span)
    assert not shop.box.readings.exists()
    page = desk.get(place)
    assert shows(page, "the wrong box", shop.user.username, note="withdrawal")
    last = ReadingWithdrawal.objects.order_by("pk").last()
    desk.post(reverse("withdraw", args=["readings", last.pk]), {"reason": "it was the right box"})
    assert shop.box.readings.get().rh_pct == 50
    assert shows(desk.get(place), "it was the right box", note="withdrawal")
    refused = desk.post(reverse("readings-withdraw", args=[shop.box.pk]), span | {"reason": ""})
    require_refused(refused, "required", "reason")
