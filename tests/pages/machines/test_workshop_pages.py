"""Machines, parts, jobs, stock and reminders, with bad input too."""

from datetime import UTC, datetime

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from maintenance.models import Fitting, Job, Loading, PartKind, Printer, StockEntry
from maintenance.parts.stock import add_stock
from maintenance.parts.wear_entries import in_stock
from pages.spools.timeline import build_timeline
from spools.codes import pretty
from spools.drying.runs import DryingSettings, start_drying
from spools.inventory.endings import end_spool
from spools.inventory.moves import move_spool
from spools.models import Place
from spools.wording import format_time
from tests.pages.shown import due_rows, notes, notices, require_refused, shows
from tests.pages.small_shop import a_job, a_reminder, local_input, part_kind
from tests.spools.conftest import hours_ago

# Machines and parts


def test_a_printer_comes_with_its_place_and_first_toolhead(shop, desk):
    values = {"name": "West", "bed_max_c": 100, "assumed_temperature_c": 23, "assumed_rh_pct": 45}
    values |= {"head-name": "T0", "head-hot_end_max_c": 300, "head-feed": "direct", "head-tail_mm": 150}
    assert desk.post(reverse("machine-new"), values).status_code == 302
    west = Printer.objects.get(name="West")
    assert (west.place.kind, west.toolheads.count()) == ("printer", 1)
    again = desk.post(reverse("machine-new"), values)
    require_refused(again, "unique", "name")
    impossible = values | {"name": "Far west", "assumed_rh_pct": 140}
    assert desk.post(reverse("machine-new"), impossible).status_code == 200
    assert not Place.objects.filter(name="Far west").exists()


def test_a_second_toolhead_needs_a_name_of_its_own(shop, desk):
    printer = shop.toolheads[1].printer
    address = reverse("toolhead-new", args=[printer.pk])
    values = {"name": "T0", "hot_end_max_c": 300, "feed": "direct", "tail_mm": 150}
    require_refused(desk.post(address, values), "unique_together")
    assert desk.post(address, values | {"name": "T1"}).status_code == 302
    assert printer.toolheads.count() == 2


def test_a_printer_and_its_toolhead_are_changed(shop, desk):
    printer = shop.toolheads[1].printer
    address = reverse("machine-edit", args=[printer.pk])
    values = {"name": "Far south", "bed_max_c": 120, "enclosed": "on", "read_version": printer.version}
    assert desk.get(address).status_code == 200
    assert desk.post(address, values).status_code == 302
    printer.refresh_from_db()
    assert (printer.name, printer.place.name, printer.enclosed) == ("Far south", "Far south", True)
    # From an older page: refused, with the present values named.
    require_refused(desk.post(address, values | {"bed_max_c": 90}), "edited_meanwhile")
    toolhead = shop.toolheads[1]
    address = reverse("toolhead-edit", args=[toolhead.pk])
    values = {"name": "T0", "hot_end_max_c": 240, "ptfe_lined": "on", "feed": "guided", "tail_mm": 300}
    assert desk.post(address, values).status_code == 302
    toolhead.refresh_from_db()
    assert (toolhead.hot_end_max_c, toolhead.ptfe_lined, toolhead.feed) == (240, True, "guided")
    require_refused(desk.post(address, values | {"hot_end_max_c": 9000}), "max_value", "hot_end_max_c")


def test_places_and_feedstocks_out_of_use_are_not_offered(shop, desk):
    spool = shop.spools[0]
    place = Place.objects.create(name="Old cupboard", kind="shelf")
    move = reverse("spool-move", args=[spool.code])

    def offered() -> set[str]:
        return set(desk.get(move).context["form"].fields["place"].queryset.values_list("name", flat=True))

    assert place.name in offered()
    assert not offered() & set(Place.objects.filter(kind="printer").values_list("name", flat=True))
    assert desk.post(reverse("place-retire", args=[place.pk])).status_code == 302
    assert place.name not in offered()
    page = desk.get(reverse("places"))
    assert [row.pk for row in page.context["retired"]] == [place.pk]
    assert desk.get(reverse("place", args=[place.pk])).status_code == 200
    desk.post(reverse("place-bring-back", args=[place.pk]))
    assert place.name in offered()
    feedstock = spool.feedstock
    desk.post(reverse("feedstock-retire", args=[feedstock.pk]))
    receive = desk.get(reverse("spool-receive")).context["form"].fields["feedstock"].queryset
    assert feedstock not in receive
    assert desk.get(reverse("feedstock", args=[feedstock.pk])).status_code == 200
    desk.post(reverse("feedstock-bring-back", args=[feedstock.pk]))
    assert feedstock in receive.all()


def test_a_printer_goes_out_of_use_and_comes_back(shop, desk):
    printer = shop.toolheads[1].printer
    address = reverse("machine-retire", args=[printer.pk])
    Loading.objects.present().filter(toolhead__printer=printer).update(end=hours_ago(1))
    assert desk.post(address, {"when": local_input(hours_ago(-5))}).status_code == 200
    assert desk.post(address, {"when": ""}).status_code == 302
    printer.refresh_from_db()
    assert printer.retired_at is not None
    listed = desk.get(reverse("machines"))
    assert [item.pk for item in listed.context["retired"]] == [printer.pk]
    assert printer.pk not in [row[0].pk for row in listed.context["printers"]]
    page = desk.get(reverse("machine", args=[printer.pk]))
    back, page = reverse("machine-bring-back", args=[printer.pk]), page.content.decode()
    assert back in page and reverse("toolhead-new", args=[printer.pk]) not in page
    since = printer.retired_at
    assert notices(desk.post(address, {"when": ""}, follow=True))[-1] == "out_of_use_already error"
    printer.refresh_from_db()
    assert printer.retired_at == since
    assert notices(desk.post(back, follow=True)) == ["success"]
    printer.refresh_from_db()
    assert printer.retired_at is None
    assert notices(desk.post(back, follow=True)) == ["in_use_already error"]


def test_a_toolhead_goes_out_of_use_alone_and_comes_back(shop, desk):
    toolhead = Loading.objects.present().first().toolhead
    machine, retired = reverse("machine", args=[toolhead.printer_id]), "toolhead_retired"
    address = reverse("toolhead-retire", args=[toolhead.pk])
    assert address in desk.get(reverse("toolhead-edit", args=[toolhead.pk])).content.decode()
    require_refused(desk.post(address, {"when": ""}), "printer_loaded")
    Loading.objects.present().filter(toolhead=toolhead).update(end=hours_ago(1))
    assert notices(desk.post(address, {"when": ""}, follow=True)) == ["success"]
    page = desk.get(machine)
    assert retired in notes(page)
    assert toolhead not in [row["toolhead"] for row in page.context["toolheads"]]
    assert notices(desk.post(address, {"when": ""}, follow=True)) == ["out_of_use_already error"]
    assert notices(desk.post(reverse("toolhead-bring-back", args=[toolhead.pk]), follow=True)) == ["success"]
    assert retired not in notes(desk.get(machine))


def test_a_printer_is_not_out_of_use_while_it_printed(shop, desk):
    loading = Loading.objects.present().first()
    address = reverse("machine-retire", args=[loading.toolhead.printer_id])
    Loading.objects.filter(pk=loading.pk).update(end=hours_ago(2))
    require_refused(desk.post(address, {"when": local_input(hours_ago(5))}), "toolhead_taken_then", "when")
    assert desk.post(address, {"when": local_input(hours_ago(1))}).status_code == 302


def test_a_printer_with_a_spool_on_it_stays_in_use(shop, desk):
    loading = Loading.objects.present().first()
    address = reverse("machine-retire", args=[loading.toolhead.printer_id])
    require_refused(desk.post(address, {"when": ""}), "printer_loaded")


@pytest.mark.parametrize("left", ["dried", "moved", "emptied"])
def test_a_spool_that_left_its_toolhead_is_on_it_on_no_page(shop, desk, left):
    spool, toolhead, at = shop.spools[0], shop.toolheads[0], hours_ago(2)
    if left == "dried":
        start_drying([spool], shop.dryer, DryingSettings(45), at=at)
    elif left == "moved":
        move_spool(spool, shop.shelf, at=at)
    else:
        end_spool(spool, at=at)
    page = desk.get(reverse("machine", args=[toolhead.printer_id]))
    assert [row["loading"] for row in page.context["toolheads"]] == [None, None]
    for name, form, field in (
        ("job-new", "form", "loading"),
        ("flow-check-new", "plan", "loading"),
        ("trouble-new", "form", "print"),
    ):
        page = desk.get(reverse(name))
        [label] = [text for _, text in page.context[form].fields[field].choices if str(toolhead) in text]
        assert pretty(spool.code) in label and format_time(at) in label and shows(page, label)
    flow = desk.get(reverse("toolhead-flow", args=[toolhead.pk]))
    assert flow.context["loading"] is None
    [event] = [item for item in build_timeline(spool) if item.kind == "loading"]
    assert event.until == at


def test_a_part_is_replaced_in_two_taps(shop, desk):
    old = Fitting.objects.get(toolhead=shop.toolheads[0], role="nozzle", end=None)
    before = in_stock([shop.brass])[shop.brass.pk]
    machine = desk.get(reverse("machine", args=[shop.toolheads[0].printer_id]))
    address = reverse("part-replace", args=[old.pk])
    assert address in machine.content.decode()
    page = desk.get(address, headers={"Referer": "http://testserver/reminders/?kind=replace"})
    form = page.context["form"]
    # Back to where the person came from; an address of another site does not count.
    assert page.context["back"] == "/reminders/?kind=replace"
    assert desk.get(f"{address}?next=//elsewhere.example/").context["back"] == machine.wsgi_request.path
    assert desk.post(address, form.initial | {"next": "/"}).url == "/"
    old.refresh_from_db()
    assert old.removal == "worn"
    new = Fitting.objects.get(toolhead=shop.toolheads[0], role="nozzle", end=None)
    assert new.part.kind == shop.brass
    assert in_stock([shop.brass])[shop.brass.pk] == before - 1


@pytest.mark.parametrize("act", ["part-replace", "part-remove"])
def test_a_removed_part_is_shown_with_its_time_and_replaced_once(shop, desk, act):
    old = Fitting.objects.get(toolhead=shop.toolheads[0], role="nozzle", end=None)
    address, machine = reverse(act, args=[old.pk]), reverse("machine", args=[shop.toolheads[0].printer_id])
    values = {"kind": shop.brass.pk, "removal": "worn"}
    assert desk.post(address, values).status_code == 302
    old.refresh_from_db()
    fittings, entries = Fitting.objects.count(), StockEntry.objects.count()
    for again in (desk.post(address, values, follow=True), desk.get(address, follow=True)):
        assert again.redirect_chain == [(machine, 302)]
        assert notices(again)[-1] == "part_removed_already error"
        assert shows(again, shop.toolheads[0], format_time(old.end), note="notice")
    assert (Fitting.objects.count(), StockEntry.objects.count()) == (fittings, entries)


def test_replacing_without_stock_is_refused(shop, desk):
    jewel = PartKind.objects.create(
        role="nozzle",
        name="Jewel",
        material="corundum",
        bore_mm=0.4,
        life_unit="dose_km",
        life=1,
        life_low=1,
        life_high=1,
        source="invented",
        how="from memory",
    )
    old = Fitting.objects.get(toolhead=shop.toolheads[0], role="nozzle", end=None)
    response = desk.post(reverse("part-replace", args=[old.pk]), {"kind": jewel.pk, "removal": "worn"})
    assert response.status_code == 200
    assert response.context["form"].errors
    old.refresh_from_db()
    assert old.end is None
    # It is received on the way, and then is the one that is chosen.
    other = reverse("stock-add") + f"?kind={jewel.pk}"
    assert other in response.content.decode()
    back = desk.post(other, {"kind": jewel.pk, "count": 1, "next": response.wsgi_request.path}).url
    add_stock(shop.brass, -in_stock([shop.brass])[shop.brass.pk])
    form = desk.get(back).context["form"]
    assert [key for key, _ in form.fields["kind"].choices] == [form.initial["kind"]] == [jewel.pk]


def test_a_part_is_taken_off_sound_and_fitted_again(shop, desk):
    toolhead = shop.toolheads[0]
    fitting = Fitting.objects.get(toolhead=toolhead, role="liner", end=None)
    assert desk.post(reverse("part-remove", args=[fitting.pk]), {"removal": "sound"}).status_code == 302
    address = reverse("part-fit", args=[toolhead.pk])
    choices = [key for key, _ in desk.get(address).context["form"].fields["source"].choices]
    assert choices == [f"kind-{shop.liner.pk}", f"part-{fitting.part_id}"]
    assert desk.post(address, {"source": f"part-{fitting.part_id}"}).status_code == 302
    assert Fitting.objects.get(toolhead=toolhead, role="liner", end=None).part == fitting.part
    assert desk.post(address, {"source": "kind-0"}).status_code == 200


def test_a_part_that_came_before_the_future_only(shop, desk):
    fitting = Fitting.objects.filter(end=None).first()
    response = desk.post(
        reverse("part-remove", args=[fitting.pk]), {"removal": "sound", "when": "2999-01-01T00:00"}
    )
    assert "when" in response.context["form"].errors
    fitting.refresh_from_db()
    assert fitting.end is None


def test_a_part_of_the_whole_printer_is_fitted_and_shown(shop, desk):
    printer = shop.toolheads[0].printer
    belts = part_kind("belts", "Belt set", material="rubber", life_unit="hours")
    add_stock(belts, 1)
    address = reverse("printer-part-fit", args=[printer.pk])
    choices = [key for key, _ in desk.get(address).context["form"].fields["source"].choices]
    assert choices == [f"kind-{belts.pk}"]
    assert desk.post(address, {"source": choices[0]}).status_code == 302
    page = desk.get(reverse("machine", args=[printer.pk]))
    fitting = Fitting.objects.get(printer=printer)
    assert [row.part for row in page.context["parts"]] == [fitting.part_id]
    assert shows(page, fitting.part)
    assert desk.post(reverse("part-remove", args=[fitting.pk]), {"removal": "sound"}).status_code == 302
    assert f"part-{fitting.part_id}" in desk.get(address).content.decode()


def test_a_parts_own_page_has_its_life_its_places_and_its_jobs(shop, desk):
    created = a_job(shop)
    fitting = Fitting.objects.get(toolhead=shop.toolheads[0], role="nozzle", end=None)
    page = desk.get(reverse("part", args=[fitting.part_id]))
    assert shows(page, fitting.part, "North T0", created.name, "0.450 mm", "invented for tests")


def test_a_used_part_is_fitted_and_its_removal_corrected(shop, desk):
    toolhead = shop.toolheads[0]
    liner = toolhead.fittings.get(role="liner")
    stock = in_stock()[shop.liner.pk]
    desk.post(reverse("withdraw", args=["fitting", liner.pk]), {"reason": "it came with the machine"})
    assert in_stock()[shop.liner.pk] == stock + 1
    address = reverse("part-fit-used", args=[toolhead.pk])
    assert address in desk.get(reverse("part-fit", args=[toolhead.pk])).content.decode()
    assert desk.get(address, {"role": "nozzle"}).context["kinds"] == []
    assert {kind.role for kind in desk.get(address, {"role": "liner"}).context["kinds"]} == {"liner"}
    values = {"kind": shop.liner.pk, "prior_unit": "months"}
    assert desk.post(address, values).context["form"].errors.keys() == {"prior_amount"}
    assert desk.post(address, values | {"prior_amount": "8"}).status_code == 302
    fitting = Fitting.objects.valid().get(toolhead=toolhead, role="liner", end=None)
    page = reverse("part", args=[fitting.part_id])
    assert shows(desk.get(page), "8 months")
    assert "assumed" in notes(desk.get(reverse("machine", args=[toolhead.printer_id])))
    desk.post(reverse("prior-use", args=[fitting.part_id]), {"prior_unit": "unknown"})
    assert fitting.part.prior_uses.valid().last().unit == "unknown"
    desk.post(reverse("part-remove", args=[fitting.pk]), {"removal": "worn"})
    correct = reverse("removal-correct", args=[fitting.pk])
    assert correct in desk.get(page).content.decode()
    assert desk.get(correct).context["form"].initial["removal"] == "worn"
    assert desk.post(correct, {"removal": "upgraded", "reason": "it was sound"}).status_code == 302
    right = Fitting.objects.valid().get(part=fitting.part)
    assert right.removal == "upgraded"
    back = reverse("removal-withdraw", args=[right.pk])
    assert desk.get(back).status_code == 200
    assert desk.post(back, {"reason": "it stayed on"}).status_code == 302
    assert Fitting.objects.valid().get(part=fitting.part).end is None
    assert shows(desk.get(page), "it stayed on", "it was sound")


def test_a_bore_is_measured_and_the_slip_withdrawn(shop, desk):
    a_job(shop)
    nozzle = Fitting.objects.get(toolhead=shop.toolheads[0], role="nozzle", end=None).part
    address = reverse("bore-new", args=[nozzle.pk])
    values = {"bore_mm": 0.42, "error_mm": 0.01, "method": "pin"}
    assert desk.post(address, values).status_code == 302
    assert shows(desk.get(reverse("part", args=[nozzle.pk])), "0.420 ± 0.010 mm")
    withdraw = reverse("withdraw", args=["bore", nozzle.bore_readings.get().pk])
    require_refused(desk.post(withdraw, {"reason": ""}), "required", "reason")
    assert desk.post(withdraw, {"reason": "wrong pin"}).status_code == 302
    assert shows(desk.get(reverse("part", args=[nozzle.pk])), "wrong pin", note="withdrawn")


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"bore_mm": 42}, "bore_mm"),
        ({"bore_mm": "wide"}, "bore_mm"),
        ({"error_mm": 0}, "error_mm"),
        ({"method": "by eye"}, "method"),
        ({"when": "2999-01-01T00:00"}, "when"),
    ],
)
def test_an_impossible_bore_is_refused(shop, desk, values, field):
    nozzle = Fitting.objects.get(toolhead=shop.toolheads[0], role="nozzle", end=None).part
    given = {"bore_mm": 0.42, "error_mm": 0.01, "method": "pin"} | values
    response = desk.post(reverse("bore-new", args=[nozzle.pk]), given)
    assert field in response.context["form"].errors
    assert not nozzle.bore_readings.exists()


def test_gears_have_no_bore_to_measure(shop, desk):
    gears = Fitting.objects.get(toolhead=shop.toolheads[0], role="gears", end=None).part
    assert desk.get(reverse("bore-new", args=[gears.pk])).status_code == 404


# Jobs


def job_values(shop, **values) -> dict:
    loading = shop.toolheads[0].loadings.get(end=None)
    given = {"loading": loading.pk, "name": "Bracket", "mass_g": 40, "hours": 2, "nozzle_c": 210, "bed_c": 60}
    return given | {"when": local_input(hours_ago(3))} | values


def checked(desk, values: dict) -> tuple[object, dict]:
    """The page after its first button, and what its second one would send."""
    response = desk.post(reverse("job-new"), values | {"check": "1"})
    return response, values | {"checked": response.context["verdict_key"], "record": "1"}


def test_the_verdict_is_shown_before_a_job_is_recorded(shop, desk):
    response, values = checked(desk, job_values(shop, override_reason="first layer only"))
    assert response.context["verdict"].state in {"clear", "caution", "hold"}
    assert not Job.objects.exists()
    assert desk.post(reverse("job-new"), values).status_code == 302
    created = Job.objects.get()
    page = desk.get(reverse("job", args=[created.pk]))
    assert shows(page, "40 g", "Brass nozzle")


@pytest.mark.parametrize(
    "start",
    [datetime(2100, 1, 1, tzinfo=UTC), datetime(1999, 1, 1, tzinfo=UTC), hours_ago(24 * 60), hours_ago(7)],
    ids=["in the future", "too long ago", "before it came", "before it was loaded"],
)
def test_an_impossible_start_is_refused_at_the_check_in_the_same_words(shop, desk, start):
    start = start.replace(second=0, microsecond=0)
    page = desk.post(reverse("job-new"), job_values(shop, when=local_input(start)) | {"check": "1"})
    assert page.context["verdict"] is None
    with pytest.raises(ValidationError) as refused:
        a_job(shop, start=start)
    text = [str(error) for errors in page.context["form"].errors.values() for error in errors]
    assert text == refused.value.messages


def test_a_job_that_was_changed_after_its_check_is_checked_again(shop, desk):
    _, values = checked(desk, job_values(shop, override_reason="a test"))
    response = desk.post(reverse("job-new"), values | {"mass_g": 300})
    require_refused(response, "changed_after_check")
    assert not Job.objects.exists()
    unchecked = job_values(shop) | {"record": "1"}
    assert desk.post(reverse("job-new"), unchecked).status_code == 200
    assert not Job.objects.exists()


def test_a_print_on_a_hold_is_recorded_without_a_reason(shop, desk):
    # Far more than the nozzle's liner may bear: a hold whatever the spool's state.
    response, values = checked(desk, job_values(shop, nozzle_c=295))
    assert response.context["verdict"].state == "hold"
    assert desk.post(reverse("job-new"), values).status_code == 302
    assert Job.objects.get().state == "hold"


@pytest.mark.parametrize(
    "values",
    [{"mass_g": -5}, {"mass_g": 1e9}, {"hours": 0}, {"nozzle_c": "hot"}, {"loading": 0}, {"name": ""}],
)
def test_an_impossible_job_is_refused(shop, desk, values):
    response = desk.post(reverse("job-new"), job_values(shop, **values) | {"record": "1"})
    assert response.context["form"].errors.keys() == values.keys()
    assert not Job.objects.exists()


def test_a_job_is_withdrawn_with_a_reason(shop, desk):
    created = a_job(shop)
    address = reverse("withdraw", args=["job", created.pk])
    require_refused(desk.post(address, {"reason": ""}), "required", "reason")
    assert desk.post(address, {"reason": "entered twice"}).status_code == 302
    assert shows(desk.get(reverse("job", args=[created.pk])), "entered twice", note="withdrawn")
    assert desk.post(address, {"reason": "again"}).status_code == 200


# Stock


def test_stock_shows_what_is_low(shop, desk):
    page = desk.get(reverse("stock"))
    counts = {row["kind"].name: row["count"] for row in page.context["parts"]}
    assert counts["Brass nozzle"] == 3 and not page.context["due"]
    grams = {str(row["feedstock"]): row["mass_g"] for row in page.context["feedstocks"]}
    assert grams["Example Works PLA"] == pytest.approx(5000)
    # A kind that nobody here has is found, and stands in no list; one that runs short comes first.
    jewel = part_kind("nozzle", "Jewel tip", bore_mm=0.4, reorder_point=1)
    assert jewel.name not in page.content.decode()
    assert [row["kind"] for row in desk.get(reverse("stock"), {"q": "tip nozz"}).context["found"]] == [jewel]
    add_stock(jewel, 1)
    assert [row["kind"] for row in desk.get(reverse("stock")).context["due"]] == [jewel]


def test_parts_are_received_once_however_often_the_button_is_pressed(shop, desk):
    before = in_stock([shop.brass])[shop.brass.pk]
    values = {"kind": shop.brass.pk, "count": 3, "form_key": "one form"}
    for _ in range(2):
        assert desk.post(reverse("stock-add"), values).status_code == 302
    assert in_stock([shop.brass])[shop.brass.pk] == before + 3
    assert desk.post(reverse("stock-add"), values | {"form_key": "another"}).status_code == 302
    assert in_stock([shop.brass])[shop.brass.pk] == before + 6


def test_parts_are_received_and_miscounts_refused(shop, desk):
    assert desk.post(reverse("stock-add"), {"kind": shop.brass.pk, "count": 4}).status_code == 302
    assert in_stock([shop.brass])[shop.brass.pk] == 7
    entries = StockEntry.objects.count()
    for count in (0, -100, "many", 10**9):
        response = desk.post(reverse("stock-add"), {"kind": shop.brass.pk, "count": count})
        assert response.context["form"].errors, count
    assert StockEntry.objects.count() == entries


def kind_values(**values) -> dict:
    given = {
        "role": "nozzle",
        "name": "Steel nozzle",
        "material": "steel",
        "bore_mm": 0.4,
        "hardness_hv": 700,
    }
    given |= {
        "life_unit": "dose_km",
        "life": 100,
        "life_low": 40,
        "life_high": 250,
        "source": "own replacements",
    }
    return given | {"how": "own replacements", "reorder_point": 1} | values


def test_a_kind_of_part_is_added(shop, desk):
    assert desk.post(reverse("part-kind-new"), kind_values()).status_code == 302
    created = PartKind.objects.get(name="Steel nozzle")
    assert created.worn_growth_pct == 12.5
    page = desk.get(reverse("part-kind", args=[created.pk]))
    assert "as_stated" in notes(page) and "learnt" not in notes(page)
    assert shows(page, "own replacements")


def test_a_consumable_is_added_received_and_used_by_a_service(shop, desk):
    values = {"role": "lubricant", "name": "grease", "stock_unit": "g", "reorder_point": 5}
    refused = desk.post(reverse("part-kind-new"), values | {"role": "gears"})
    assert {"life", "material", "source"} <= refused.context["form"].errors.keys()
    assert desk.post(reverse("part-kind-new"), values).status_code == 302
    grease = PartKind.objects.get(name="grease")
    desk.post(reverse("stock-add"), {"kind": grease.pk, "count": "12.5"})
    edit = reverse("service-kind", args=[shop.cleaning.pk])
    initial = desk.get(edit).context["form"].initial
    given = {name: "" if value is None else value for name, value in initial.items()}
    alone = desk.post(edit, given | {"consumable": grease.pk})
    require_refused(alone, "consumable_and_amount")
    assert desk.post(edit, given | {"consumable": grease.pk, "consumable_amount": 2}).status_code == 302
    toolhead = shop.toolheads[0]
    done = {"kind": shop.cleaning.pk, "toolhead": toolhead.pk}
    assert desk.post(reverse("service-done", args=[toolhead.printer_id]), done).status_code == 302
    assert in_stock()[grease.pk] == 10.5
    page = desk.get(reverse("part-kind", args=[grease.pk]))
    assert shows(page, "10.5 g", "12.5 g", "-2 g", shop.cleaning.name)
    assert shows(desk.get(reverse("stock")), "grease", "10.5 g")


def test_a_kind_of_part_is_corrected_and_learnt_from(shop, desk):
    a_job(shop)
    fitting = Fitting.objects.get(toolhead=shop.toolheads[0], role="nozzle", end=None)
    desk.post(reverse("part-replace", args=[fitting.pk]), {"kind": shop.brass.pk, "removal": "worn"})
    address = reverse("part-kind", args=[shop.brass.pk])
    assert shows(desk.get(address), "1", note="learnt")
    edit = reverse("part-kind-edit", args=[shop.brass.pk])
    values = {
        name: "" if value is None else value for name, value in desk.get(edit).context["form"].initial.items()
    }
    assert desk.post(edit, values | {"reorder_point": 5}).status_code == 302
    assert shows(desk.get(address), "5", note="reorder_point")
    values["read_version"] = desk.get(edit).context["form"].initial["read_version"]
    refused = desk.post(edit, values | {"role": "gears", "life_unit": "feed_km"})
    assert "role" in refused.context["form"].errors
    belts = desk.post(edit, values | {"role": "belts"})
    assert belts.context["form"].errors
    assert PartKind.objects.get(pk=shop.brass.pk).role == "nozzle"


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"bore_mm": ""}, "bore_mm"),
        ({"life_low": 300}, "life"),
        ({"life_low": -1}, "life"),
        ({"hardness_hv": -3}, "hardness_hv"),
        ({"price": "free"}, "price"),
        ({"source": ""}, "source"),
    ],
)
def test_an_impossible_kind_of_part_is_refused(shop, desk, values, field):
    response = desk.post(reverse("part-kind-new"), kind_values(**values))
    assert field in response.context["form"].errors
    assert not PartKind.objects.filter(name="Steel nozzle").exists()


# Reminders


def test_reminders_are_put_off_and_done(shop, desk):
    item = a_reminder(shop)
    page = desk.get(reverse("reminders"))
    assert item in [row.reminder for row in due_rows(page)]
    assert reverse("spool", args=[shop.spools[1].code]) in page.content.decode()
    assert desk.post(reverse("reminder-snooze", args=[item.pk]), {"days": "3"}).status_code == 302
    page = desk.get(reverse("reminders"))
    assert [row.reminder for row in page.context["snoozed"]] == [item]
    assert item not in [row.reminder for row in due_rows(page)]
    assert desk.post(reverse("reminder-complete", args=[item.pk]), {"note": "dried it"}).status_code == 302
    assert shows(desk.get(reverse("reminders-ended")), "dried it")
    for name in ("reminder-complete", "reminder-snooze"):
        late = desk.post(reverse(name, args=[item.pk]), {"days": "1", "note": "again"}, follow=True)
        assert notices(late)[-1] == "ended_already error" and "events" in late.context, name
    item.refresh_from_db()
    assert item.note != "again"


@pytest.mark.parametrize("values", [{}, {"days": "900"}, {"until": "soon"}, {"until": "2001-01-01T00:00"}])
def test_an_impossible_putting_off_is_refused(shop, desk, values):
    item = a_reminder(shop)
    response = desk.post(reverse("reminder-snooze", args=[item.pk]), values)
    assert response.status_code == 200
    assert response.context["form"].errors
    item.refresh_from_db()
    assert item.snoozed_until is None


def test_a_reminder_of_a_part_leads_to_its_replacement(shop, desk):
    fitting = Fitting.objects.filter(end=None).first()
    a_reminder(shop, kind="replace", spool=None, part=fitting.part, toolhead=fitting.toolhead)
    page = desk.get(reverse("reminders"))
    assert reverse("part-replace", args=[fitting.pk]) in [row.address for row in due_rows(page)]
