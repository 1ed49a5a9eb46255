"""A page that is left open shows what changes in the shop, and is left alone while somebody types."""

import pytest
from playwright.sync_api import Browser, BrowserContext, expect

from tests.services.shop import Shop

from .walk import Newcomer, sign_in_as_told

pytestmark = pytest.mark.browser


def end_elsewhere(context: BrowserContext, shop: Shop, code: str) -> None:
    """As another phone does."""
    token = next(cookie["value"] for cookie in context.cookies() if cookie["name"] == "csrftoken")
    address = f"{shop.url}/api/v1/spools/{code.replace('-', '')}/end"
    answer = context.request.post(address, data={}, headers={"X-CSRFToken": token})
    assert answer.ok, answer.text()


def test_an_open_page_follows_the_shop(chromium: Browser, changing_shop: Shop) -> None:
    with chromium.new_context(viewport={"width": 1440, "height": 900}) as context:
        page = context.new_page()
        sign_in_as_told(Newcomer(page, changing_shop))
        page.goto(changing_shop.url + "/spools/")
        first, second = (page.locator(".code").nth(n).inner_text() for n in (0, 1))
        end_elsewhere(context, changing_shop, first)
        expect(page.get_by_text(first, exact=True)).to_have_count(0)
        # Somebody types: the page stays as it is until the field is left.
        page.get_by_role("searchbox").first.focus()
        end_elsewhere(context, changing_shop, second)
        page.wait_for_timeout(6000)
        assert page.get_by_text(second, exact=True).count() == 1
        page.get_by_role("searchbox").first.blur()
        expect(page.get_by_text(second, exact=True)).to_have_count(0)
