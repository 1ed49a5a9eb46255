"""The farm's shop on its first day: printers, the spools of each, a token for their hosts."""

from datetime import datetime

from access.tokens import add_token
from maintenance.machines.loading import load_spool
from spools.models import Feedstock
from tests.farm.prints import DENSITY_G_CM3, DIAMETER_MM, HOUR, Machine
from tests.weeks.opening import LOCAL_G, open_shop

SPOOLS_EACH = 5
# Clocks of hosts: some are right, the others are off by so many minutes.
SKEWS_MIN = (0, 0, -7.5, 0, 4.2, 0, 12.6, -2.1)


def open_farm(start: datetime, printers: int) -> tuple[list[Machine], str]:
    """The machines, and the key of a token."""
    [shop] = open_shop(start - 2 * HOUR, printers, printers * SPOOLS_EACH)
    Feedstock.objects.update(density_g_cm3=DENSITY_G_CM3, diameter_mm=DIAMETER_MM)
    by_feedstock: dict[int, list] = {}
    for spool in shop.spools:
        by_feedstock.setdefault(spool.feedstock_id, []).append(spool)
    machines = []
    for number, toolhead in enumerate(shop.toolheads):
        stock = max(by_feedstock.values(), key=len)
        spools = [stock.pop() for _ in range(min(SPOOLS_EACH, len(stock)))]
        load_spool(toolhead, spools[0], at=start - HOUR, override_reason="the farm's first day", by=shop.user)
        machines.append(
            Machine(
                toolhead.printer.name,
                toolhead.pk,
                [(spool.code, LOCAL_G) for spool in spools],
                60 * SKEWS_MIN[number % len(SKEWS_MIN)],
                names_spools=number % 3 != 2,
            )
        )
    return machines, add_token(shop.user, "print hosts", "jobs")[1]
