"""A job file in a real browser: read by the real worker, looked at on phone and desk, and planned."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.services.shop import live_shop

from .test_accessibility import axe_violations
from .walk import Newcomer, sign_in_as_told

pytestmark = pytest.mark.browser
HEAD = "G28\nM83\nM104 S210\nM140 S60\nG1 F1200\n"
LAYER = "G0 Z{z:.1f}\n" + 20 * "G1 X100 E3.3\nG1 Y100 E3.3\nG1 X0 E3.3\nG1 Y0 E3.3\nG1 E-0.8\nG1 E0.8\n"


def test_from_file_to_record(chromium: Browser, tmp_path: Path) -> None:
    job = tmp_path / "bracket.gcode"
    job.write_text(HEAD + "".join(LAYER.format(z=0.2 * layer) for layer in range(1, 11)))
    found: dict[str, list[str]] = {}
    with (
        live_shop(demo=True) as shop,
        chromium.new_context(viewport={"width": 390, "height": 800}) as context,
    ):
        page = context.new_page()
        sign_in_as_told(newcomer := Newcomer(page, shop))

        def looked_at(name: str) -> None:
            for width, scheme in ((390, "light"), (1440, "dark")):
                page.set_viewport_size({"width": width, "height": 800})
                page.emulate_media(color_scheme=scheme)
                found[f"{name}, {width}"] = axe_violations(page)
                assert page.evaluate("document.documentElement.scrollWidth") <= width, name

        newcomer.go("/jobs/")
        newcomer.tap("Job files")
        looked_at("list")
        page.locator("summary", has_text="Add a job file").click()
        page.get_by_label("Job file", exact=True).set_input_files(job)
        newcomer.tap("Read it")
        # The page looks again by itself until the worker has read the file; the first reading compiles.
        expect(page.get_by_role("heading", name="Filament and time")).to_be_visible()
        expect(page.get_by_text("2.64 m, 1 h 07 min")).to_be_visible()
        looked_at("facts")
        newcomer.tap("Check and record its print")
        newcomer.fill(printer="North", spool_1="XVV-FX9")
        newcomer.tap("Check")
        expect(page.locator("#verdict h2")).to_be_visible()
        looked_at("verdict")
        newcomer.fill(stage="It is planned")
        newcomer.tap("Check again")
        newcomer.tap("Record")
        expect(page.locator('[data-note="stage"]')).to_have_text("planned")
        looked_at("job")
    assert {name: rules for name, rules in found.items() if rules} == {}
