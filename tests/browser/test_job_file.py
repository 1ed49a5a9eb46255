"""A job file in a real browser: read by the real worker, looked at on phone and desk, and planned."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.services.shop import Shop

from .test_accessibility import find_faults
from .walk import Newcomer, sign_in_as_told

pytestmark = pytest.mark.browser
HEAD = "G28\nM83\nM104 S210\nM140 S60\nG1 F1200\n"
LAYER = "G0 Z{z:.1f}\n" + 20 * "G1 X100 E3.3\nG1 Y100 E3.3\nG1 X0 E3.3\nG1 Y0 E3.3\nG1 E-0.8\nG1 E0.8\n"


def test_from_file_to_record(chromium: Browser, changing_shop: Shop, tmp_path: Path) -> None:
    job = tmp_path / "bracket.gcode"
    job.write_text(HEAD + "".join(LAYER.format(z=0.2 * layer) for layer in range(1, 11)))
    found: dict[str, list[str]] = {}
    with chromium.new_context(viewport={"width": 390, "height": 800}) as context:
        page = context.new_page()
        sign_in_as_told(newcomer := Newcomer(page, changing_shop))

        newcomer.go("/jobs/")
        newcomer.tap("Job files")
        found["list"] = find_faults(page)
        page.locator("summary", has_text="Add a job file").click()
        page.get_by_label("Job file", exact=True).set_input_files(job)
        newcomer.tap("Read it")
        # The page looks again by itself until the worker has read the file; the first reading compiles.
        expect(page.get_by_role("heading", name="Filament and time")).to_be_visible()
        expect(page.get_by_text("2.64 m, 1 h 07 min")).to_be_visible()
        found["facts"] = find_faults(page)
        newcomer.tap("Check and record its print")
        newcomer.fill(printer="North", spool_1="XVV-FX9")
        newcomer.tap("Check")
        expect(page.locator("#verdict h2")).to_be_visible()
        found["verdict"] = find_faults(page)
        newcomer.fill(stage="It is planned")
        newcomer.tap("Check again")
        newcomer.tap("Record")
        expect(page.locator('[data-note="stage"]')).to_have_text("planned")
        found["job"] = find_faults(page)
    assert {name: faults for name, faults in found.items() if faults} == {}
