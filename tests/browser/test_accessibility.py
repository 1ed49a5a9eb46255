"""WCAG 2.2 AA as far as a machine can tell: axe in a real browser, on the demo shop, phone and desk."""

from collections.abc import Iterator
from urllib.parse import urljoin

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from tests.services.shop import Shop, live_shop

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
    *(f"/s/{code}/" for code in SPOOLS),
    "/s/F4QT7X/load/",
    "/s/F4QT7X/dry/",
    "/s/F4QT7X/label/",
    "/drying/",
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
    "/jobs/new/",
    "/stock/",
    "/stock/kinds/2/",
    "/parts/1/",
    "/parts/1/bore/",
    "/materials/",
    "/places/",
    "/reminders/",
]
# Pages behind a link of another one.
PLANS = [("/s/F4QT7X/dry/", "Plan in Big dryer"), ("/drying/", "Put spools into Big dryer")]


@pytest.fixture(scope="module")
def shop() -> Iterator[Shop]:
    with live_shop(demo=True) as shop:
        yield shop


@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (1440, "dark")])
def test_axe_finds_nothing_and_nothing_scrolls_sideways(
    chromium: Browser, shop: Shop, width: int, scheme: str
) -> None:
    with chromium.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme) as context:
        page = context.new_page()
        page.goto(shop.url + "/sign-in/")
        found = {"/sign-in/": axe_violations(page)}
        sign_in_as_told(Newcomer(page, shop))
        for path in PAGES:
            answer = page.goto(shop.url + path)
            assert answer is not None and answer.status == 200, path
            found[path] = axe_violations(page)
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        for path, link in PLANS:
            page.goto(shop.url + path)
            address = page.get_by_role("link", name=link).get_attribute("href")
            page.goto(urljoin(page.url, address))
            found[link] = axe_violations(page)
            assert page.evaluate("document.documentElement.scrollWidth") <= width, link
        assert {path: rules for path, rules in found.items() if rules} == {}


def axe_violations(page: Page) -> list[str]:
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
    return [rule["id"] for rule in Axe().run(page, options=rules).response["violations"]]
