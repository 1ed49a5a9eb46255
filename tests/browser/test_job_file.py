"""A job file in a real browser: read by the real worker, looked at on phone and desk, planned, printed, failed."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.services.shop import live_shop

from .test_accessibility import axe_violations
from .walk import Newcomer, sign_in_as_told

pytestmark = pytest.mark.browser
HEAD = "G28\nM83\nM104 S210\nM140 S60\nG1 F1200\n"
LAYER = "G0 Z{z:.1f}\n" + 20 * "G1 X100 E3.3\nG1 Y100 E3.3\nG1 X0 E3.3\nG1 Y0 E3.3\nG1 E-0.8\nG1 E0.8\n"


def live_a_print(me: Newcomer) -> None:
    """From its plan: it starts, a spool runs out, and it fails half way."""
    page = me.page
    stage = page.locator('[data-note="stage"]')
    expect(stage).to_have_text("planned")
    page.locator("summary", has_text="It started").click()
    me.tap("It prints")
    expect(stage).to_have_text("printing")
    page.locator("summary", has_text="A spool ran out").click()
    used = page.locator('[data-note="reserved"] a').first.inner_text()
    spools = page.locator("#change_spool option").all_text_contents()
    following = next(name for name in spools if used not in name)
    page.locator("#change_spool").select_option(label=following)
    page.locator("#change_unload_to").select_option(index=1)
    page.locator("#change_mass_g").fill("2.5")
    me.tap("Go on with another spool")
    expect(page.locator('[data-note="reserved"] a')).to_contain_text(following.split()[0])
    page.locator("summary", has_text="It ended").click()
    page.locator("label.choice", has_text="failed").click()
    for field, value in {
        "parts": "4",
        "good_parts": "3",
        "reason": "one came off",
        "stopped_pct": "80",
    }.items():
        page.locator(f"#end_{field}").fill(value)
    me.tap("Record how it ended")
    expect(stage).to_have_text("failed")
    expect(page.locator('[data-note="step_failed"]')).to_contain_text("3 of 4")


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
        live_a_print(newcomer)
        looked_at("job")
        newcomer.tap("Print it again")
        expect(page.locator("h1")).to_contain_text("bracket.gcode")
    assert {name: rules for name, rules in found.items() if rules} == {}
