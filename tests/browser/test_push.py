"""Notifications in a real Chromium: the page's script, the service worker, and what a person sees.

A browser subscribes at its maker's push service, which tests cannot reach: that one call is answered by the
test, with real keys. The browser's own development protocol stands in for the service.
"""

import json
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from maintenance.models import Channel, Message
from maintenance.reminders.delivery import push
from tests.maintenance.reminders.delivery.rfc8291 import new_browser
from tests.maintenance.reminders.texts import texts
from tests.services.servers import wait_for
from tests.services.shop import Shop, live_shop

from .walk import Newcomer, sign_in_as_told

pytestmark = pytest.mark.browser
SUBSCRIBED = """
PushManager.prototype.getSubscription = async () => null;
PushManager.prototype.subscribe = async ({ userVisibleOnly, applicationServerKey }) => {
  if (!userVisibleOnly || applicationServerKey.length !== 65) throw new Error("wrong options");
  return { toJSON: () => ({ endpoint: "https://push.example/one", keys: KEYS }) };
};
"""
SHOWN = "navigator.serviceWorker.ready.then(known => known.getNotifications())"
TEXTS = texts("Re-dry 7KD-4QM", "0.9 %.", "Dry it.")
TOLD = {name: answer.as_data() for name, answer in TEXTS.items()} | {"path": "/spools/", "reminder": 7}


@pytest.fixture(scope="module")
def shop() -> Iterator[Shop]:
    with live_shop() as shop:
        yield shop


def deliver(page: Page, shop: Shop, content: str) -> None:
    """Give the service worker what a push service would."""
    session = page.context.new_cdp_session(page)
    found: list[dict] = []
    session.on("ServiceWorker.workerRegistrationUpdated", lambda event: found.extend(event["registrations"]))
    session.send("ServiceWorker.enable")
    # Playwright hands events over while it waits.
    wait_for("the service worker", lambda: page.wait_for_timeout(20) or found)
    pushed = {"origin": shop.url, "registrationId": found[0]["registrationId"], "data": content}
    session.send("ServiceWorker.deliverPushMessage", pushed)


def test_a_browser_is_added_and_shows_what_is_pushed(chromium: Browser, shop: Shop) -> None:
    with chromium.new_context(viewport={"width": 390, "height": 844}) as context:
        context.grant_permissions(["notifications"], origin=shop.url)
        page = context.new_page()
        page.add_init_script(SUBSCRIBED.replace("KEYS", json.dumps(new_browser().keys)))
        sign_in_as_told(Newcomer(page, shop))
        page.goto(shop.url + "/reminders/notifications/")
        page.get_by_role("button", name="Notify this browser").click()
        expect(page.locator(".notice")).to_contain_text("This browser will get notifications.")
        expect(page.get_by_role("heading", name="Browser on ")).to_be_visible()
        deliver(page, shop, push.notification(Message(channel=Channel(), body=TOLD)).decode())
        page.wait_for_function(f"{SHOWN}.then(shown => shown.length)")
        shown = page.evaluate(
            f"{SHOWN}.then(all => all.map(one => [one.title, one.body, one.tag, one.data]))"
        )
        assert shown == [["Re-dry 7KD-4QM", "0.9 %. Dry it.", "reminder-7", {"path": "/spools/"}]]


def test_a_browser_without_permission_shows_the_remedy(chromium: Browser, shop: Shop) -> None:
    with chromium.new_context() as context:
        page = context.new_page()
        sign_in_as_told(Newcomer(page, shop))
        page.goto(shop.url + "/reminders/notifications/")
        page.get_by_role("button", name="Notify this browser").click()
        expect(page.locator("#push-said")).to_contain_text("the browser does not allow it")


def test_without_scripts_the_page_offers_what_works(chromium: Browser, shop: Shop) -> None:
    with chromium.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        sign_in_as_told(Newcomer(page, shop))
        page.goto(shop.url + "/reminders/notifications/")
        expect(page.get_by_role("button", name="Notify this browser")).to_be_hidden()
        expect(page.locator("#push-said")).to_contain_text("JavaScript")
        page.get_by_role("button", name="Open a calendar feed").click()
        expect(page.get_by_text(".ics")).to_be_visible()
