"""Demo shops that several tests share, since each start takes seconds."""

from collections.abc import Iterator

import pytest

from tests.services.shop import Shop, live_shop


@pytest.fixture(scope="session")
def demo_shop() -> Iterator[Shop]:
    """The demo shop, for tests that change nothing in it."""
    with live_shop(demo=True) as shop:
        yield shop


@pytest.fixture(scope="session")
def changing_shop() -> Iterator[Shop]:
    """Another one, for tests that work in it whatever others did there before."""
    with live_shop(demo=True) as shop:
        yield shop
