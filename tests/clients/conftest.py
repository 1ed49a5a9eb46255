import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.clients.stand_in import StandIn

CLIENTS = Path(__file__).parents[2] / "clients"
# They are copied to print hosts, so they are no package.
sys.path.insert(0, str(CLIENTS))


@pytest.fixture
def shop() -> Iterator[StandIn]:
    with StandIn.running() as running:
        yield running


@pytest.fixture
def client(shop, tmp_path):
    from printer_client import Client

    return Client(shop.url, "lw_of-tests", tmp_path / "queue")
