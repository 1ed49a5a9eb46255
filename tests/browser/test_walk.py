"""The main job end to end in a real browser, on what ./run gives and on what a larger shop would run.

The first hour and mended facts are clicked on the former alone.
"""

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.services.servers import PostgresServer, RedisServer
from tests.services.shop import live_shop

from .walk import Newcomer, sign_in, walk, walk_to_the_nozzle

pytestmark = pytest.mark.browser


def test_newcomers_walk_embedded(chromium: Browser, tmp_path: Path) -> None:
    with live_shop() as shop, chromium.new_context(viewport={"width": 390, "height": 844}) as context:
        walk(context.new_page(), shop)


@pytest.mark.services
def test_newcomers_walk_with_postgresql_and_redis(
    chromium: Browser, postgres_server: PostgresServer, redis_server: RedisServer
) -> None:
    with (
        live_shop(postgres_server.new_database(), redis_server.new_database()) as shop,
        chromium.new_context(viewport={"width": 1440, "height": 900}) as context,
    ):
        sign_in(me := Newcomer(context.new_page(), shop))
        walk_to_the_nozzle(me)
