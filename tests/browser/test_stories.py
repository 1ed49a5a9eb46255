"""What a shop does in its weeks, clicked through on a phone; each story on the demo shop, whatever the others did.

The first days, moves that are mended and past facts that are added: tests/browser/walk.py.
"""

import csv
import re
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, expect

from tests.services.shop import live_shop

from .walk import Newcomer, ago, sign_in_as_told

pytestmark = pytest.mark.browser
WIDTH = 390
# Remembers each page that is wider than the phone.
WATCH = """addEventListener('load', () => {
  if (document.documentElement.scrollWidth > innerWidth) localStorage.wide = `${localStorage.wide || ''} ${location.pathname}`
})"""
# White PLA on North and another spool of it, ABS in a bag, PA12 that was forgotten in the dryer.
LOADED, FOLLOWING, ABS, FORGOTTEN = "XVVFX9", "67VHVF", "V66X4F", "CD47NQ"


class Owner(Newcomer):
    """Somebody who looks after the shop."""

    def note(self, key: str) -> Locator:
        return self.page.locator(f'main [data-note="{key}"]')

    def withdraw(self, name: str | re.Pattern[str]) -> None:
        """A fact, by the button or link at its line."""
        self.tap(name)
        self.fill(reason="It was a slip.")
        self.tap(re.compile("^Withdraw"))

    def expect_row(self, text: str, shown: str | re.Pattern[str]) -> None:
        rows = self.page.get_by_role("main").locator("tr, li", has_text=text)
        expect(rows.filter(has_text=shown).first).to_be_visible()


@pytest.fixture(scope="module")
def me(chromium: Browser) -> Iterator[Owner]:
    faults: list[str] = []
    with (
        live_shop(demo=True) as shop,
        chromium.new_context(viewport={"width": WIDTH, "height": 844}) as context,
    ):
        context.add_init_script(WATCH)
        context.on("response", lambda answer: answer.status >= 500 and faults.append(answer.url))
        owner = Owner(context.new_page(), shop)
        sign_in_as_told(owner)
        yield owner
        assert owner.page.evaluate("localStorage.wide || ''") == ""
        assert faults == []


def test_a_file_for_another_material_is_a_hold_before_loading(me: Owner) -> None:
    me.go("/jobs/")
    me.tap("Job files")
    me.tap("desk tray.gcode")
    expect(me.page.get_by_role("heading", name="Filament and time")).to_be_visible()
    me.tap("State its material")
    me.fill(tool_0="PLA")
    me.tap("Save")
    me.go(f"/s/{ABS}/load/")
    me.tap("Load on North T0")
    expect(me.note("planned_job")).to_contain_text("desk tray.gcode")
    expect(me.page.locator(".verdict .state").first).to_have_class(re.compile("state-hold"))
    me.go(f"/s/{FOLLOWING}/load/")
    me.tap("Load on North T0")
    expect(me.page.locator(".verdict .state-hold")).to_have_count(0)


def test_slips_are_withdrawn_from_the_page_that_shows_them(me: Owner) -> None:
    me.go("/places/")
    me.tap("Shelf")
    me.open("Enter a reading")
    by_hand = me.page.locator("form", has=me.page.locator("[name=by_hand]"))
    by_hand.locator("[name=temperature_c]").fill("21")
    by_hand.locator("[name=rh_pct]").fill("5")
    me.tap("Save the reading")
    me.sees(", 5 % RH")
    me.open("Correct or withdraw readings")
    me.withdraw(re.compile("^Withdraw the reading of"))
    me.sees_not(", 5 % RH")
    me.go(f"/s/{ABS}/")
    me.open("More")
    me.tap("Move")
    me.fill(place="Old tub")
    me.tap("Move it")
    me.sees("In Old tub")
    me.withdraw(re.compile("^Withdraw the move"))
    me.sees("In Sealed bags")
    me.open("More")
    me.tap("Empty or gone")
    me.fill(kind="used up")
    me.tap("Take it out of use")
    expect(me.note("ended").first).to_be_visible()
    me.withdraw("Take it back")
    expect(me.page.locator('[data-act="load"]')).to_be_visible()
    # Most of the heat that this polyamide got was a night in the dryer that is no more.
    me.go(f"/s/{FORGOTTEN}/")
    me.sees("96 % of the heat")
    me.open("Earlier")
    me.withdraw(re.compile("^Withdraw the drying run"))
    me.sees(re.compile(r"\b66 % of the heat"))


def test_a_part_of_unknown_age_teaches_nothing_and_a_printer_is_renamed_and_retired(me: Owner) -> None:
    me.go("/machines/")
    me.tap("Bench")
    me.open("More")
    me.tap("Fit another part to Bench T0")
    me.tap("Record the one that is on it")
    me.fill(kind="thermistor", prior_unit="age unknown")
    me.tap("Record it")
    me.open("Thermistor")
    me.tap("Take the thermistor off Bench T0")
    me.fill(removal="worn")
    me.tap("Take it off")
    me.open("Parts that came off")
    me.tap(re.compile("^thermistor no"))
    me.tap("thermistor")
    expect(me.note("as_stated")).to_be_visible()
    me.go("/machines/3/")
    me.open("Set-up")
    me.tap("Change")
    me.page.locator('[name="name"]').fill("Workbench")
    me.tap("Save")
    expect(me.page.locator("h1")).to_have_text("Workbench")
    me.open("Set-up")
    me.tap("The air here")
    expect(me.page.locator("h1")).to_have_text("Workbench")
    me.go("/machines/3/")
    me.open("Set-up")
    me.tap("Take it out of use")
    me.tap("Take it out of use")
    me.go(f"/s/{ABS}/load/")
    me.sees_not("Workbench")
    me.go("/machines/3/")
    me.tap("Use it again")


def test_a_service_uses_up_a_consumable_until_it_is_to_be_reordered(me: Owner) -> None:
    me.go("/stock/?q=grease")
    me.tap("grease for lead screws")
    me.tap("Receive some")
    me.fill(count="20")
    me.tap("Save")
    me.tap("Change")
    me.fill(reorder_point="18")
    me.tap("Save")
    me.go("/machines/2/service/")
    row = me.page.locator("li", has_text="Lubrication of lead screws").first
    row.locator("summary").click()
    row.get_by_role("link", name="Change the interval").click()
    me.fill(consumable="grease for lead screws", consumable_amount="2,5")
    me.tap("Save")
    me.go("/machines/2/service/")
    me.tap(re.compile("^Done now: .ubrication of lead screws"))
    me.go("/stock/")
    me.expect_row("grease for lead screws", re.compile("17.5 g.*Receive", re.DOTALL))
    me.go("/reminders/")
    expect(me.page.locator("[data-reminder]", has_text="grease for lead screws")).to_have_count(1)


def test_a_price_makes_a_cost_and_a_bad_batch_leads_to_its_jobs(me: Owner, tmp_path: Path) -> None:
    me.go(f"/s/{LOADED}/")
    me.open("Reel, batch, price")
    me.tap(re.compile("the price$"))
    me.fill(price="19,90")
    me.tap("Save the price")
    me.open("Reel, batch, price")
    expect(me.note("price")).to_contain_text("19.90")
    me.tap("Correct the reel or the batch")
    me.fill(batch="Q-1407")
    me.tap("Save the correction")
    me.open("Reel, batch, price")
    me.page.get_by_role("link", name="Jobs of its batch Q-1407").click()
    me.tap("labels for bins")
    expect(me.note("batch")).to_contain_text("Q-1407")
    # 60 g at 19.90 a kilogram.
    expect(me.note("cost")).to_contain_text("1.19 EUR")
    me.go("/usage/")
    me.fill(by="Project")
    me.tap("Show")
    me.expect_row("garden shed", "215")
    with me.page.expect_download() as download:
        me.tap("CSV")
    download.value.save_as(tmp_path / "usage.csv")
    rows = list(csv.DictReader((tmp_path / "usage.csv").open()))
    assert {"garden shed", "workshop"} <= {name for row in rows for name in row.values()}


def test_several_reminders_are_snoozed_at_once(me: Owner) -> None:
    me.go("/reminders/")
    group = me.page.locator('[data-group="buy"]')
    waiting = group.locator("[data-reminder]").count()
    group.get_by_role("checkbox").first.check()
    me.page.get_by_role("button", name="Snooze the ticked").click()
    snoozed = me.page.locator('[data-group="snoozed"] [data-reminder]')
    expect(snoozed).to_have_count(1)
    expect(group.locator("[data-reminder]")).to_have_count(waiting - 1)
    group.get_by_role("button", name="Snooze all").click()
    expect(snoozed).to_have_count(waiting)
    expect(group).to_have_count(0)


def test_a_part_is_replaced_in_two_taps_from_today(me: Owner) -> None:
    me.go("/")
    me.page.locator('[data-group="replace"] .tap').click()
    me.page.get_by_role("button", name="Replace it").click()
    me.go("/")
    expect(me.page.locator('[data-group="replace"]')).to_have_count(0)


def test_a_row_of_today_leads_to_loading_on_its_toolhead(me: Owner) -> None:
    me.go("/")
    row = me.page.locator("[data-material]", has_text="V66-X4F")
    box = row.bounding_box()
    assert box is not None and box["height"] >= 44
    # Anywhere on the row.
    me.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] - 4)
    expect(me.page).to_have_url(re.compile(r"/s/V66X4F/load/\?toolhead="))
    expect(me.page.get_by_role("button", name="Load it")).to_be_visible()


def test_trouble_leads_over_a_short_flow_check_to_a_flow_to_set(me: Owner) -> None:
    me.go("/trouble/")
    me.tap("A sudden change")
    me.tap(re.compile("^Short flow check"))
    me.fill(nozzle_c="210", resolution_g="0,001")
    me.tap("Show the blobs")
    blobs = me.page.get_by_label(re.compile(r"^Blob \d"))
    expect(blobs.first).to_be_visible()
    rates = [
        float(re.search(r"at ([\d.]+)", text)[1])
        for text in me.page.locator("fieldset label").all_inner_texts()
    ]  # type: ignore[index]
    for n, rate in enumerate(rates):
        blobs.nth(n).fill(f"{0.447 * (1 - 0.02 * (rate - 3)):.3f}".replace(".", ","))
    me.tap("Record the check")
    expect(me.note("setting").first).to_contain_text("mm³/s")


def test_a_second_person_counts_in_commas_and_is_asked_which_hour(me: Owner) -> None:
    page = me.page
    page.locator("details.more > summary").click()
    page.get_by_role("link", name="Account of demo").click()
    page.get_by_role("link", name="All accounts").click()
    me.tap("Invite")
    link = me.note("link").inner_text()
    page.locator("details.more > summary").click()
    page.get_by_role("button", name="Sign out").click()
    page.goto(link)
    own = "wind-the-blue-spool"
    me.fill(username="mara", password1=own, password2=own)
    me.tap("Make my account")
    me.go(f"/s/{ABS}/")
    me.tap("Weigh")
    me.fill(gross_g="1240,5", resolution_g="0,5")
    me.tap(re.compile("^Save|^Weigh|^Record"))
    expect(me.note("weighed").first).to_contain_text(re.compile("124[01].*mara", re.DOTALL))
    me.go("/stock/?q=wipes")
    me.tap("alcohol wipes")
    me.tap("Receive some")
    me.fill(count="50", when=f"{last_doubled_night():%Y-%m-%d}T02:30")
    me.tap("Save")
    me.note("which_hour").select_option(index=2)
    me.tap("Save")
    me.go("/stock/")
    me.expect_row("alcohol wipes", "50")


def test_a_job_from_its_plan_over_a_run_out_to_its_reprint(me: Owner) -> None:
    me.go(f"/s/{LOADED}/")
    me.tap("Record a job")
    me.fill(stage="planned", name="Drawer set", mass_g="300", hours="3", nozzle_c="210", bed_c="60")
    me.tap("Check")
    me.tap("Record")
    stage = me.note("stage")
    expect(stage).to_have_text("planned")
    me.note("reserved").get_by_role("link").click()
    expect(me.note("reserved")).to_contain_text("Drawer set")
    me.note("reserved").get_by_role("link").click()
    me.open("It started")
    me.page.locator("#start_when").fill(ago(hours=4))
    me.tap("It prints")
    expect(stage).to_have_text("printing")
    me.open("A spool ran out")
    me.fill(spool="67V-HVF", unload_to="Shelf")
    me.page.locator("#change_when").fill(ago(hours=2))
    me.page.locator("#change_mass_g").fill("190,5")
    me.tap("Go on with another spool")
    me.open("It ended")
    me.fill(result="finished")
    me.tap("Record how it ended")
    expect(stage).to_have_text("finished")
    # It began before it was planned for; the first step is the plan all the same.
    expect(me.page.locator('[data-note^="step_"]').first).to_have_attribute("data-note", "step_planned")
    me.sees(re.compile(r"190\.5 g of XVV-FX9.*109\.5 g of 67V-HVF", re.DOTALL))
    me.tap("Print it again")
    expect(me.note("original")).to_contain_text("Drawer set")
    me.fill(stage="planned", mass_g="100")
    me.tap("Check")
    me.tap("Record")
    expect(me.note("reprint_of")).to_contain_text("Drawer set")


def last_doubled_night() -> date:
    """The last Sunday of an October that is over."""
    today = date.today()
    nights = [date(year, 10, 31) for year in (today.year, today.year - 1)]
    sundays = [night - timedelta(days=(night.weekday() + 1) % 7) for night in nights]
    return next(night for night in sundays if night < today)


def test_a_spool_is_loaded_in_two_taps_from_its_label_and_from_today(me: Owner) -> None:
    """On a toolhead that another spool is on, too: the place that it came from is chosen."""
    # The phone's camera opens its page.
    me.go(f"/s/{ABS}/")
    me.page.locator('[data-act="load"]').click()
    me.tap("Load it")
    expect(me.page.locator('[data-act="record_job"]')).to_be_visible()
    me.go("/")
    me.page.get_by_role("main").locator('a[href*="/load/?"]').first.click()
    me.tap("Load it")
    expect(me.page.locator('[data-act="record_job"]')).to_be_visible()
