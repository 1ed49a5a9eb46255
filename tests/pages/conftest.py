"""The shop that the pages are tried in, and a browser that is signed in to it."""

import pytest
from django.test import Client

from tests.restored import build_once

from .small_shop import small_shop


@pytest.fixture
def shop(db):
    return build_once(small_shop)


@pytest.fixture
def desk(shop) -> Client:
    """A signed-in browser; a page that fails raises."""
    client = Client()
    client.force_login(shop.user)
    return client
