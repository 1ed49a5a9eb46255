"""The notification settings with all channels: axe finds nothing, and nothing scrolls sideways."""

import re

import pytest
from playwright.sync_api import Browser, Page, expect

from maintenance.reminders.delivery.failures import NO_ANSWER
from tests.services.servers import wait_for
from tests.services.shop import Shop, live_shop

from .test_accessibility import axe_violations
from .walk import Newcomer, sign_in_as_told

pytestmark = pytest.mark.browser
LONG = "averylongnamewithoutanyplacetobreakitofareceiver" + "x" * 27


def add_all(page: Page, shop: Shop) -> None:
    for number in range(2):
        page.goto(shop.url + "/reminders/notifications/email/")
        page.get_by_label("E-mail address").fill(f"{LONG[:-1]}{number}@shop.example")
        page.get_by_role("button", name="Add").click()
    page.goto(shop.url + "/reminders/notifications/webhook/")
    page.get_by_label("Web address").fill("http://127.0.0.1:9/" + LONG)
    page.get_by_label("Name").fill(LONG)
    page.get_by_role("button", name="Add").click()
    expect(page.get_by_text("whsec_", exact=False).first).to_be_visible()
    assert axe_violations(page) == []
    page.get_by_role("link", name="I have copied it").click()
    page.get_by_role("button", name="Open a calendar feed").click()


def reload(page: Page, shop: Shop) -> Page:
    page.goto(shop.url + "/reminders/notifications/")
    return page


def test_all_channels(chromium: Browser) -> None:
    with live_shop() as shop, chromium.new_context() as context:
        page = context.new_page()
        sign_in_as_told(Newcomer(page, shop))
        add_all(page, shop)
        page.get_by_role("button", name=re.compile("^Send a test: Webhook")).click()
        # No receiver is there: the error is shown as soon as the worker has tried.
        wait_for("the failed test", lambda: reload(page, shop).get_by_text(str(NO_ANSWER)).count())
        for width, scheme in ((360, "dark"), (390, "light"), (1440, "light"), (1440, "dark")):
            page.set_viewport_size({"width": width, "height": 900})
            page.emulate_media(color_scheme=scheme)
            assert axe_violations(page) == [], width
            assert page.evaluate("document.documentElement.scrollWidth") <= width
        # Five channels: on a desk the table shows its last column, too.
        table = page.locator(".choices-table").locator("..")
        assert table.evaluate("at => at.querySelectorAll('thead th').length") == 6
        assert table.evaluate("at => at.scrollWidth <= at.clientWidth")
