"""The pages of job files: take one in, watch it being read, see what it says, check and record its print."""

import re

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone

from background.running import run_due
from maintenance.jobs.files import add_job_file, read_again, store_content
from maintenance.machines.loading import unload_spool
from maintenance.models import Job, JobFile, Printer
from spools.models import Feedstock
from spools.wording import format_number
from tests.maintenance.flow.flow_lab import check
from tests.pages.shown import notes, notices, require_refused, shows
from tests.spools.conftest import hours_ago, polymer

HEAD = "M83\nM104 S205\nM140 S55\nG1 F1200\nG0 Z0.2\n"
JOB = HEAD + 10 * "G1 X100 E500\nG1 X0 E500\nG1 E-0.8\nG1 E0.8\n"
TWO_TOOLS = JOB + "T1\nM104 S250\n" + JOB


@pytest.fixture(autouse=True)
def data_folder(settings, tmp_path):
    settings.DATA_DIR = tmp_path / "data"


def kept(text: str = JOB, name: str = "bracket.gcode", read: bool = True, **options) -> JobFile:
    file = add_job_file(store_content(name, [text.encode()]), **options)
    if read:
        run_due("files")
        file.refresh_from_db()
    return file


def uploaded(text: str = JOB, name: str = "bracket.gcode") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, text.encode())


def test_a_file_is_taken_in_read_and_shown(desk, shop):
    page = desk.post("/jobs/files/", {"file": uploaded(), "diameter_mm": "1.75", "printer": ""}, follow=True)
    file = JobFile.objects.get()
    assert page.redirect_chain == [(f"/jobs/files/{file.pk}/", 302)]
    assert "waiting" in notes(page)
    assert page["Refresh"] == "2"
    run_due("files")
    page = desk.get(f"/jobs/files/{file.pk}/")
    assert "Refresh" not in page
    assert shows(page, "10 m", "3 min", "24.1 cm³", "205 °C")
    assert shows(page, "10", "0.8 mm", "1", note="retractions")
    assert shows(page, "ada", note="came") and "e_follows_g90" in notes(page)
    assert shows(desk.get("/jobs/files/"), "bracket.gcode")


def test_the_limit_of_the_last_flow_check_is_drawn_in(desk, shop):
    file = kept()
    address = f"/jobs/files/{file.pk}/"
    assert "chart-limit" not in desk.get(address).content.decode()
    toolhead = shop.toolheads[0]
    check(toolhead, shop.spools[0], hours_ago(2))
    page = desk.get(address)
    assert "chart-limit" in page.content.decode()
    [(limit, text)] = page.context["flow_limits"]
    assert "5 %" in text and str(toolhead) in text and shows(page, text, f"{limit:.3g} mm³/s")


def test_content_is_deleted_to_make_room(desk, shop):
    file = kept()
    address = f"/jobs/files/{file.pk}/"
    page = desk.post(f"{address}content-deleted/", follow=True)
    assert shows(page, "ada", note="content_deleted") and "retractions" in notes(page)
    assert f"{address}again/" not in page.content.decode()
    busy = kept(JOB + JOB, read=False)
    page = desk.post(f"/jobs/files/{busy.pk}/content-deleted/", follow=True)
    assert notices(page) == ["file_being_read error"]


def test_a_large_file_goes_through_the_disk(desk, shop, settings):
    """Above the upload limit of memory, with none of it held in one piece."""
    settings.FILE_UPLOAD_MAX_MEMORY_SIZE = 1000
    desk.post("/jobs/files/", {"file": uploaded(200 * JOB), "diameter_mm": "1.75"})
    assert JobFile.objects.get().size_bytes == len(200 * JOB)


@pytest.mark.parametrize(
    ("sent", "field", "code"),
    [
        ({"diameter_mm": "1.75"}, "file", "required"),
        ({"file": uploaded(""), "diameter_mm": "1.75"}, "file", "empty"),
        ({"file": uploaded(), "diameter_mm": "17.5"}, "diameter_mm", "max_value"),
        ({"file": uploaded(), "diameter_mm": "nan"}, "diameter_mm", "invalid"),
        ({"file": uploaded(), "diameter_mm": "1.75", "printer": "999"}, "printer", "invalid_choice"),
        ({"file": uploaded(name="x" * 300), "diameter_mm": "1.75"}, "file", "max_length"),
    ],
)
def test_unacceptable_files_are_refused(desk, shop, sent, field, code):
    require_refused(desk.post("/jobs/files/", sent), code, field)
    assert not JobFile.objects.exists()


def test_reading_is_stopped_and_begun_again(desk, shop):
    file = kept(read=False)
    page = desk.post(f"/jobs/files/{file.pk}/stop/", follow=True)
    assert "stopped" in notes(page) and notices(page) == ["success"]
    page = desk.post(f"/jobs/files/{file.pk}/stop/", follow=True)
    assert notices(page) == ["reading_ended error"]
    desk.post(f"/jobs/files/{file.pk}/again/", {"diameter_mm": "2.85", "printer": "", "member": ""})
    run_due("files")
    assert shows(desk.get(f"/jobs/files/{file.pk}/"), "2.85 mm")
    assert desk.get(f"/jobs/files/{file.pk}/stop/").status_code == 405
    refused = desk.post(f"/jobs/files/{file.pk}/again/", {"diameter_mm": "0"})
    require_refused(refused, "min_value", "diameter_mm", names=["0.5", "10"])


def test_a_file_that_cannot_be_read_shows_the_reason(desk, shop):
    file = kept("\0")
    page = desk.get(f"/jobs/files/{file.pk}/")
    assert file.problem.code == "job_file.nul" and shows(page, file.problem.sentence, note="refused")
    assert desk.get(f"/jobs/files/{file.pk}/print/").status_code == 302


def test_names_are_shown_as_text(desk, shop):
    file = kept(name="<script>alert(1)</script>.gcode")
    for address in ("/jobs/files/", f"/jobs/files/{file.pk}/", f"/jobs/files/{file.pk}/print/"):
        assert b"<script>alert" not in desk.get(address).content


def test_the_flow_is_drawn_in_steps_and_listed_in_a_table(desk, shop):
    page = desk.get(f"/jobs/files/{kept().pk}/")
    chart, flows = page.context["flow_chart"], page.context["facts"].flow_mm3_s
    [(_, path)] = chart.lines
    assert path.count("L") == 2 * len(flows) - 1 and page.content.count(b"<tr data-at=") == len(chart.rows)
    assert chart.rows[0].cells == [f"{format_number(flows[0])} mm³/s"]


def test_a_job_that_feeds_nothing(desk, shop):
    file = kept("G28\nG0 X5\n")
    page = desk.get(f"/jobs/files/{file.pk}/")
    remarks = page.context["facts"].remarks
    assert remarks and shows(page, *(remark.sentence for remark in remarks)) and page.context["uses"] == []
    assert b"chart-line" not in page.content


def test_machines_with_their_verdicts(desk, shop, django_assert_max_num_queries):
    file = kept(TWO_TOOLS)
    page = desk.get(f"/jobs/files/{file.pk}/")
    held = {machine.printer.name: machine.verdict.reasons for machine in page.context["where"]}
    assert "toolheads" in [reason.name for reason in held["East"]]
    assert "spool" in [reason.name for reason in held["North"]]
    assert shows(page, *(reason.sentence for reason in [*held["East"], *held["North"]]))
    with django_assert_max_num_queries(60):
        desk.get(f"/jobs/files/{file.pk}/")


def chosen(shop, **values) -> dict:
    printer = shop.toolheads[0].printer
    given = {"printer": printer.pk, "spool_1": shop.spools[0].pk, "name": "Bracket", "check": "1"}
    return given | values


def test_check_then_record(desk, shop):
    file = kept()
    address = f"/jobs/files/{file.pk}/print/"
    page = desk.get(f"{address}?printer={shop.toolheads[0].printer.pk}")
    assert f'<option value="{shop.spools[0].pk}" selected>' in page.content.decode()
    page = desk.post(address, chosen(shop))
    assert b'id="verdict"' in page.content and shows(page, "North T0", note="job_part")
    (checked,) = re.findall(r'name="checked" value="([^"]*)"', page.content.decode())
    changed = chosen(shop, checked=checked, record="1", stopped_pct="50", override_reason="a test")
    require_refused(desk.post(address, changed), "changed_after_check")
    assert not Job.objects.exists()
    page = desk.post(
        address, chosen(shop, checked=checked, record="1", override_reason="a test"), follow=True
    )
    job = Job.objects.get()
    assert page.redirect_chain[-1][0] == f"/jobs/{job.pk}/"
    assert shows(page, "bracket.gcode", note="printed_from")
    assert shows(desk.get(f"/jobs/files/{file.pk}/"), "Bracket", "North", note="prints")


def test_a_print_that_stopped_early(desk, shop):
    file = kept()
    address = f"/jobs/files/{file.pk}/print/"
    page = desk.post(address, chosen(shop, stopped_line="26"))
    (checked,) = re.findall(r'name="checked" value="([^"]*)"', page.content.decode())
    sent = chosen(shop, stopped_line="26", checked=checked, record="1", override_reason="a test")
    page = desk.post(address, sent, follow=True)
    assert shows(page, "26", "45", note="stopped")
    assert Job.objects.get().uses.get().mass_g == pytest.approx(14.9, abs=0.2)


@pytest.mark.parametrize(
    ("values", "code", "names"),
    [
        ({"spool_1": "99999999999999999999999"}, "invalid_choice", []),
        ({"spool_1": ""}, "required", []),
        ({"printer": "0"}, "invalid_choice", []),
        ({"stopped_line": "46"}, "out_of_range", ["1", "45"]),
        ({"stopped_pct": "101"}, "max_value", ["0", "100"]),
        ({"stopped_line": "3", "stopped_pct": "5"}, "line_or_percentage", []),
        ({"stopped_line": "1.5"}, "invalid", []),
        ({"when": "2100-01-01T00:00"}, "in_the_future", []),
    ],
)
def test_refusals_stand_at_their_inputs(desk, shop, values, code, names):
    page = desk.post(f"/jobs/files/{kept().pk}/print/", chosen(shop, **values))
    require_refused(page, code, next(iter(values)), names=names)
    assert not Job.objects.exists()


def test_two_spools_are_chosen_one_by_one(desk, shop):
    file = kept(TWO_TOOLS)
    address = f"/jobs/files/{file.pk}/print/"
    label = desk.get(address).context["form"]["spool_2"].label
    assert "2" in label and "1" in label and "10.0 m" in label and shows(desk.get(address), label)
    page = desk.post(address, chosen(shop, spool_2=shop.spools[3].pk))
    assert shows(page, "North T1", note="job_part")
    east = chosen(shop, spool_2=shop.spools[3].pk, printer=shop.toolheads[1].printer.pk)
    require_refused(desk.post(address, east), "too_few_toolheads", "printer", names=["East"])


def test_files_are_for_people_who_signed_in(client, shop):
    file = kept(read=False)
    for address in ("/jobs/files/", f"/jobs/files/{file.pk}/", f"/jobs/files/{file.pk}/print/"):
        assert client.get(address).status_code == 302
    assert client.post(f"/jobs/files/{file.pk}/stop/").status_code == 302
    file.refresh_from_db()
    assert file.state == "waiting"


def test_absurd_hours_are_refused_and_break_nothing(desk, shop):
    file = kept("M83\nG1 F0.0001\nG1 X100 E500\n")
    page = desk.get(f"/jobs/files/{file.pk}/")
    assert page.status_code == 200 and shows(page, "0.01", "1000 h", note="not_judged")
    page = desk.post(f"/jobs/files/{file.pk}/print/", chosen(shop))
    require_refused(page, "out_of_range", "__all__", names=["0.01", "1000 h"])


def test_a_file_that_is_read_again_shows_its_old_facts_until_then(desk, shop):
    file = kept()
    read_again(file, diameter_mm=2.85)
    assert "waiting" in notes(desk.get(f"/jobs/files/{file.pk}/"))


def test_a_person_states_the_material_of_each_tool(desk, shop):
    file = kept(TWO_TOOLS)
    address = f"/jobs/files/{file.pk}/"
    own, other = shop.spools[0].feedstock, polymer("PETG")
    assert list(desk.get(f"{address}material/").context["form"].fields) == ["tool_0", "tool_1"]
    sent = {"tool_0": f"feedstock-{own.pk}", "tool_1": f"polymer-{other.pk}"}
    assert desk.post(f"{address}material/", sent).url == address
    assert shows(desk.get(address), str(own), "PETG", note="materials")
    form = desk.get(f"{address}material/").context["form"]
    assert form.initial == sent
    Feedstock.objects.filter(pk=own.pk).update(retired_at=timezone.now())
    own_key, fields = sent["tool_0"], desk.get(f"{address}material/").context["form"].fields
    assert {name: own_key in field.rows for name, field in fields.items()} == {
        "tool_0": True,
        "tool_1": False,
    }
    require_refused(desk.post(f"{address}material/", {"tool_0": "polymer-0"}), "invalid_choice", "tool_0")
    desk.post(f"{address}material/", {"tool_0": "", "tool_1": f"polymer-{other.pk}"})
    assert [(row.tool, row.material, row.stated_by) for row in file.materials.all()] == [
        (1, other, shop.user)
    ]


def test_the_material_of_a_file_that_is_not_read_cannot_be_stated(desk, shop):
    file = kept(read=False)
    assert desk.get(f"/jobs/files/{file.pk}/material/").url == f"/jobs/files/{file.pk}/"


def test_loading_judges_the_file_that_is_planned_for_the_printer(desk, shop):
    toolhead = shop.toolheads[0]
    spool = next(spool for spool in shop.spools if not spool.loadings.exists())
    address = f"{reverse('spool-load', args=[spool.code])}?toolhead={toolhead.pk}"
    assert "small_job" in notes(desk.get(address))
    other = Printer.objects.exclude(pk=toolhead.printer_id).first()
    kept(name="elsewhere.gcode", printer=other)
    kept(name="waits.gcode", printer=toolhead.printer, read=False)
    assert "small_job" in notes(desk.get(address))
    run_due("files")
    kept("M83\nM104 S500\nM140 S55\nG1 F1200\nG1 X100 E5000\n", "hot.gcode", printer=toolhead.printer)
    page = desk.get(address)
    assert shows(page, "hot.gcode", "500 °C", note="planned_job")
    states = {check.name: check.state for check in page.context["verdict"].checks}
    assert states["material"] == states["temperature"] == "hold"
    desk.post(address, {"toolhead": toolhead.pk, "override_reason": "a test", "unload_to": shop.shelf.pk})
    loading = spool.loadings.get()
    assert {"readiness.nozzle_far_above_window"} <= {row["statement"]["code"] for row in loading.reasons}
    unload_spool(loading, shop.shelf)
    page = desk.get(f"{address}&job=small")
    assert "small_job" in notes(page)
    states = {check.name: check.state for check in page.context["verdict"].checks}
    assert states["material"] == "clear"
