"""WCAG 2.2 AA as far as a machine can tell: axe in a real browser, on the demo shop, phone and desk."""

import re
from urllib.parse import urljoin

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from tests.services.shop import Shop

from .walk import Newcomer, sign_in_as_told

pytestmark = pytest.mark.browser
# Spools of the demo shop: loaded, too wet, in a dryer.
SPOOLS = ["7DKMRX", "F4QT7X", "CQJJHK"]
# A flow check of the spool that is loaded on the first printer.
PLANNED = "/flow-checks/new/?loading=2&nozzle_c=210&rates=1,3,5&repeats=3&length_mm=200&resolution_g=0.001"
PLANNED += "&diameter_tolerance_mm=0.05"
PAGES = [
    "/",
    "/scan/",
    "/spools/",
    "/spools/receive/",
    "/files/",
    "/files/spools/",
    "/sensors/",
    "/sensors/topics/new/",
    "/scales/",
    "/first-hour/",
    "/labels/",
    "/labels/?spools=F4QT7X&places=1&parts=1&paper=210x297-3x8-70x36-0x4.5-0x0",
    *(f"/s/{code}/" for code in SPOOLS),
    "/s/F4QT7X/load/",
    "/s/F4QT7X/dry/",
    "/s/F4QT7X/label/",
    "/s/F4QT7X/away/",
    "/drying/",
    "/drying/week/",
    "/drying/week/print-requests/new/",
    "/drying/week/dryings/1/move/",
    "/machines/",
    "/toolheads/1/flow/",
    "/flow-checks/1/",
    "/flow-checks/new/",
    PLANNED,
    "/machines/1/",
    "/machines/1/service/",
    "/machines/1/service/done/",
    "/service/kinds/new/",
    "/trouble/",
    "/trouble/new/",
    "/trouble/1/",
    "/trouble/2/",
    "/jobs/",
    "/jobs/1/",
    "/jobs/new/",
    "/stock/",
    "/stock/kinds/2/",
    "/parts/1/",
    "/parts/1/bore/",
    "/materials/",
    "/places/",
    "/reminders/",
    "/reminders/1/",
    "/reminders/1/snooze/",
    "/reminders/ended/",
    "/reminders/notifications/",
    "/reminders/notifications/email/",
    "/reminders/notifications/webhook/",
    "/status/",
]
# Pages behind a link of another one.
PLANS = {
    "/s/F4QT7X/dry/": "Plan in Big dryer",
    "/drying/": re.compile(r"^Put in\s*: Big dryer"),
    "/reminders/": "Take out: QV3-F9Y",
}
# On a page as narrow as this nothing is cut either, with names that cannot be broken.
NARROW = 360
LONG = "Toolhead-without-any-blank-in-it-000001"


def test_no_page_has_accessibility_violations_or_scrolls_sideways(chromium: Browser, demo_shop: Shop) -> None:
    with chromium.new_context() as context:
        page = context.new_page()
        page.goto(demo_shop.url + "/sign-in/")
        found = {"/sign-in/": find_faults(page)}
        sign_in_as_told(Newcomer(page, demo_shop))
        todo = [*PAGES]
        while todo:
            path = todo.pop(0)
            answer = page.goto(urljoin(demo_shop.url, path))
            assert answer is not None and answer.status == 200, path
            found[path] = find_faults(page)
            if path in PLANS:
                address = page.get_by_role("link", name=PLANS[path]).get_attribute("href")
                todo.append(urljoin(path, address))
        assert len(found) == 1 + len(PAGES) + len(PLANS)
        assert {path: faults for path, faults in found.items() if faults} == {}


def test_long_names_and_many_reminders_fit_a_narrow_phone(chromium: Browser, changing_shop: Shop) -> None:
    with chromium.new_context(viewport={"width": NARROW, "height": 700}) as context:
        page = context.new_page()
        sign_in_as_told(Newcomer(page, changing_shop))
        page.goto(changing_shop.url + "/machines/1/toolheads/new/")
        page.locator('[name="name"]').fill(LONG)
        page.locator("form.form button.primary").click()
        for path in ("/s/7DKMRX/", "/machines/1/", "/machines/1/service/", "/spools/"):
            page.goto(changing_shop.url + path)
            # Two digits, whatever the demo has.
            page.locator(".bar summary .count").evaluate("count => { count.firstChild.data = '88' }")
            assert page.evaluate("document.documentElement.scrollWidth") <= NARROW, path
            badge = page.locator(".bar summary .count").bounding_box()
            assert badge is not None and badge["x"] + badge["width"] <= NARROW and badge["height"] < 32
        page.goto(changing_shop.url + "/machines/1/service/")
        for words in page.locator(".part-text > .nowrap").all():
            assert words.evaluate("told => told.getClientRects().length") == 1


def test_a_chart_is_read_by_the_keyboard_from_its_table(chromium: Browser, demo_shop: Shop) -> None:
    with chromium.new_context() as context:
        page = context.new_page()
        sign_in_as_told(Newcomer(page, demo_shop))
        page.goto(demo_shop.url + "/s/7DKMRX/")
        chart = page.locator('[data-chart="moisture"]')
        plot, reading = chart.locator(".chart-plot"), chart.locator(".chart-reading")
        of_now = reading.text_content()
        plot.focus()
        page.keyboard.press("Home")
        page.keyboard.press("ArrowRight")
        time, computed, *_ = chart.locator("tbody tr").nth(1).locator("th, td").all_text_contents()
        assert (
            reading.text_content() == f"{time}: computed {computed}" == plot.get_attribute("aria-valuetext")
        )
        plot.blur()
        assert reading.text_content() == of_now


def find_faults(page: Page) -> list[str]:
    """Violations on a phone in daylight and on a dark desk, and where the page scrolls sideways."""
    faults = []
    for width, scheme in ((390, "light"), (1440, "dark")):
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme)
        faults += [f"{width}: {rule}" for rule in axe_violations(page)]
        if page.evaluate("document.documentElement.scrollWidth") > width:
            faults.append(f"{width}: scrolls sideways")
    return faults


def axe_violations(page: Page) -> list[str]:
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
    rules |= {"resultTypes": ["violations"]}
    return [rule["id"] for rule in Axe().run(page, options=rules).response["violations"]]
