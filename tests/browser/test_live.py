"""A page that is left open shows what changes in the shop, and is left alone while somebody types."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from tests.services.shop import Shop, live_shop, run_manage

from .walk import Newcomer, sign_in_as_told

pytestmark = pytest.mark.browser
EMPTIED = """
from spools.inventory.endings import end_spool
from spools.models import Spool
end_spool(Spool.objects.get(code="{code}"))
"""


@pytest.fixture(scope="module")
def shop() -> Iterator[Shop]:
    with live_shop(demo=True) as shop:
        yield shop


def test_an_open_page_follows_the_shop(chromium: Browser, shop: Shop) -> None:
    with chromium.new_context(viewport={"width": 1440, "height": 900}) as context:
        page = context.new_page()
        sign_in_as_told(Newcomer(page, shop))
        page.goto(shop.url + "/spools/")
        first, second = (page.locator(".code").nth(n).inner_text() for n in (0, 1))
        run_manage(shop.env, "shell", "-v0", "-c", EMPTIED.format(code=first.replace("-", "")))
        expect(page.get_by_text(first, exact=True)).to_have_count(0)
        # Somebody types: the page stays as it is until the field is left.
        page.get_by_role("searchbox").first.focus()
        run_manage(shop.env, "shell", "-v0", "-c", EMPTIED.format(code=second.replace("-", "")))
        page.wait_for_timeout(6000)
        assert page.get_by_text(second, exact=True).count() == 1
        page.get_by_role("searchbox").first.blur()
        expect(page.get_by_text(second, exact=True)).to_have_count(0)
