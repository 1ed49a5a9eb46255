"""Two printers for some hours. The whole farm: python -m tests.farm."""

from datetime import timedelta
from urllib.parse import urlsplit

import pytest
from django.utils import timezone

from tests.farm.checks import check_farm
from tests.farm.opening import open_farm
from tests.farm.run import Farm, live


@pytest.mark.django_db(transaction=True)
def test_the_books_of_a_small_farm_equal_its_own(live_server, tmp_path):
    start = timezone.now() - timedelta(days=0.8)
    machines, token = open_farm(start, 2)
    machines[1].skew_s = 400.0
    live(machines, start, 0.8, seed=3)
    farm = Farm(machines, token, tmp_path, seed=3, deaths=1, batch=40)
    address = urlsplit(live_server.url)
    farm.run(lambda: (address.hostname, address.port), lambda share: None)
    assert farm.counts["deaths of hosts"] == 2
    assert check_farm(machines).found == []
