"""The pages of job files: take one in, watch it being read, see what it says, check and record its print."""

import re

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from background.running import run_due
from maintenance.jobs.files import add_job_file, read_again, store_content
from maintenance.models import Job, JobFile
from tests.maintenance.flow.flow_lab import check
from tests.pages.small_shop import says
from tests.spools.conftest import hours_ago

HEAD = "M83\nM104 S205\nM140 S55\nG1 F1200\nG0 Z0.2\n"
JOB = HEAD + 10 * "G1 X100 E500\nG1 X0 E500\nG1 E-0.8\nG1 E0.8\n"
TWO_TOOLS = JOB + "T1\nM104 S250\n" + JOB


@pytest.fixture(autouse=True)
def data_folder(settings, tmp_path):
    settings.DATA_DIR = tmp_path / "data"


def kept(text: str = JOB, name: str = "bracket.gcode", read: bool = True, **options) -> JobFile:
    file = add_job_file(store_content(name, [text.encode()]), **options)
    if read:
        run_due()
        file.refresh_from_db()
    return file


def uploaded(text: str = JOB, name: str = "bracket.gcode") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, text.encode())


def test_a_file_is_taken_in_read_and_shown(desk, shop):
    page = desk.post("/jobs/files/", {"file": uploaded(), "diameter_mm": "1.75", "printer": ""}, follow=True)
    file = JobFile.objects.get()
    assert page.redirect_chain == [(f"/jobs/files/{file.pk}/", 302)]
    assert says(page, "It waits to be read. This page looks again by itself.")
    assert page["Refresh"] == "2"
    run_due()
    page = desk.get(f"/jobs/files/{file.pk}/")
    assert "Refresh" not in page
    for text in (
        "10 m, 3 min",
        "10 m, 24.1 cm³",
        "205 °C for 3 min",
        "10, 1 for each metre; usually 0.8 mm, the longest 0.8 mm; the same section of filament up to 1 time",
        "by ada",
        "G90 and G91 count for E, too",
    ):
        assert says(page, text), text
    assert says(desk.get("/jobs/files/"), "bracket.gcode")


def test_the_limit_of_the_last_flow_check_is_drawn_in(desk, shop):
    file = kept()
    address = f"/jobs/files/{file.pk}/"
    assert "chart-limit" not in desk.get(address).content.decode()
    toolhead = shop.toolheads[0]
    check(toolhead, shop.spools[0], hours_ago(2))
    page = desk.get(address)
    assert "chart-limit" in page.content.decode()
    assert says(page, f"5 % lost on {toolhead}")
    [(limit, _)] = page.context["flow_limits"]
    assert says(page, f"at {limit:.3g} mm³/s")


def test_a_large_file_goes_through_the_disk(desk, shop, settings):
    """Above the upload limit of memory, with none of it held in one piece."""
    settings.FILE_UPLOAD_MAX_MEMORY_SIZE = 1000
    desk.post("/jobs/files/", {"file": uploaded(200 * JOB), "diameter_mm": "1.75"})
    assert JobFile.objects.get().size_bytes == len(200 * JOB)


@pytest.mark.parametrize(
    ("sent", "says_what"),
    [
        ({"diameter_mm": "1.75"}, "This field is required"),
        ({"file": uploaded(""), "diameter_mm": "1.75"}, "empty"),
        ({"file": uploaded(), "diameter_mm": "17.5"}, "Give a number between 0.5 and 10"),
        ({"file": uploaded(), "diameter_mm": "nan"}, "Enter a number"),
        ({"file": uploaded(), "diameter_mm": "1.75", "printer": "999"}, "Select a valid choice"),
        ({"file": uploaded(name="x" * 300), "diameter_mm": "1.75"}, "at most 200 characters"),
    ],
)
def test_unacceptable_files_are_refused(desk, shop, sent, says_what):
    page = desk.post("/jobs/files/", sent)
    assert page.status_code == 200 and says(page, says_what)
    assert not JobFile.objects.exists()


def test_reading_is_stopped_and_begun_again(desk, shop):
    file = kept(read=False)
    page = desk.post(f"/jobs/files/{file.pk}/stop/", follow=True)
    assert says(page, "Its reading was stopped.")
    page = desk.post(f"/jobs/files/{file.pk}/stop/", follow=True)
    assert says(page, "not being read any more")
    desk.post(f"/jobs/files/{file.pk}/again/", {"diameter_mm": "2.85", "printer": "", "member": ""})
    run_due()
    assert says(desk.get(f"/jobs/files/{file.pk}/"), "For filament of 2.85 mm")
    assert desk.get(f"/jobs/files/{file.pk}/stop/").status_code == 405
    assert says(
        desk.post(f"/jobs/files/{file.pk}/again/", {"diameter_mm": "0"}), "Give a number between 0.5 and 10"
    )


def test_a_file_that_cannot_be_read_shows_the_reason(desk, shop):
    file = kept("\0")
    page = desk.get(f"/jobs/files/{file.pk}/")
    assert says(page, "It cannot be read: Byte 0 of the job is NUL")
    assert desk.get(f"/jobs/files/{file.pk}/print/").status_code == 302


def test_names_are_shown_as_text(desk, shop):
    file = kept(name="<script>alert(1)</script>.gcode")
    for address in ("/jobs/files/", f"/jobs/files/{file.pk}/", f"/jobs/files/{file.pk}/print/"):
        assert b"<script>alert" not in desk.get(address).content


def test_the_flow_is_drawn_and_listed_in_a_table(desk, shop):
    page = desk.get(f"/jobs/files/{kept().pk}/").content.decode()
    (line,) = re.findall(r'chart-line" points="([^"]+)"', page)
    points = [tuple(map(float, point.split(","))) for point in line.split()]
    assert [x for x, _ in points] == sorted(x for x, _ in points)
    assert all(0 <= x <= 400 and 0 <= y <= 200 for x, y in points)
    assert page.count("Mean, mm³/s") == 13


def test_a_job_that_feeds_nothing(desk, shop):
    file = kept("G28\nG0 X5\n")
    page = desk.get(f"/jobs/files/{file.pk}/")
    assert says(page, "No move feeds filament")
    assert b"chart-line" not in page.content


def test_machines_with_their_verdicts(desk, shop, django_assert_max_num_queries):
    file = kept(TWO_TOOLS)
    page = desk.get(f"/jobs/files/{file.pk}/")
    assert says(page, "The job uses tool 1; East has 1 (counted from 0).")
    assert says(page, "No spool is on North T1.")
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
    assert says(page, "May it start?") and says(page, "through North T0")
    (checked,) = re.findall(r'name="checked" value="([^"]*)"', page.content.decode())
    changed = chosen(shop, checked=checked, record="1", stopped_pct="50", override_reason="a test")
    assert says(desk.post(address, changed), "changed after the check")
    assert not Job.objects.exists()
    page = desk.post(
        address, chosen(shop, checked=checked, record="1", override_reason="a test"), follow=True
    )
    job = Job.objects.get()
    assert page.redirect_chain[-1][0] == f"/jobs/{job.pk}/"
    assert says(page, "Printed from bracket.gcode")
    assert says(desk.get(f"/jobs/files/{file.pk}/"), "Bracket on North")


def test_a_print_that_stopped_early(desk, shop):
    file = kept()
    address = f"/jobs/files/{file.pk}/print/"
    page = desk.post(address, chosen(shop, stopped_line="26"))
    (checked,) = re.findall(r'name="checked" value="([^"]*)"', page.content.decode())
    sent = chosen(shop, stopped_line="26", checked=checked, record="1", override_reason="a test")
    page = desk.post(address, sent, follow=True)
    assert says(page, "it stopped early, before line 26 of 45")
    assert Job.objects.get().uses.get().mass_g == pytest.approx(14.9, abs=0.2)


@pytest.mark.parametrize(
    ("values", "says_what"),
    [
        ({"spool_1": "99999999999999999999999"}, "Select a valid choice"),
        ({"spool_1": ""}, "required"),
        ({"printer": "0"}, "Select a valid choice"),
        ({"stopped_line": "46"}, "between 1 and 45"),
        ({"stopped_pct": "101"}, "Give a number between 0 and 100"),
        ({"stopped_line": "3", "stopped_pct": "5"}, "not both"),
        ({"stopped_line": "1.5"}, "whole number"),
        ({"when": "2100-01-01T00:00"}, "is in the future"),
    ],
)
def test_refusals_stand_at_their_inputs(desk, shop, values, says_what):
    page = desk.post(f"/jobs/files/{kept().pk}/print/", chosen(shop, **values))
    assert page.status_code == 200 and says(page, says_what)
    assert not Job.objects.exists()


def test_two_spools_are_chosen_one_by_one(desk, shop):
    file = kept(TWO_TOOLS)
    address = f"/jobs/files/{file.pk}/print/"
    assert says(desk.get(address), "Spool 2, tool 1, 10.0 m")
    page = desk.post(address, chosen(shop, spool_2=shop.spools[3].pk))
    assert says(page, "through North T1")
    east = chosen(shop, spool_2=shop.spools[3].pk, printer=shop.toolheads[1].printer.pk)
    assert says(desk.post(address, east), "uses tool 1, and East has 1 toolhead")


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
    assert page.status_code == 200 and says(page, "between 0.01 and 1000 h")
    page = desk.post(f"/jobs/files/{file.pk}/print/", chosen(shop))
    assert says(page, "between 0.01 and 1000 h")


def test_a_file_that_is_read_again_shows_its_old_facts_until_then(desk, shop):
    file = kept()
    read_again(file, diameter_mm=2.85)
    assert says(desk.get(f"/jobs/files/{file.pk}/"), "It waits to be read")
