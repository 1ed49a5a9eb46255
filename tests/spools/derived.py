"""All that is computed from the facts of spools, to compare it before and after facts that cancel each other."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from spools.board import board
from spools.inventory.ledger import remaining
from spools.models import Spool
from spools.moisture import cache as moisture_cache
from spools.moisture.state import moisture_of


def derived(spools: Iterable[Spool], at: datetime) -> dict[int, Any]:
    """Amount, moisture to the bit, place, opening and row of the board of each spool as of a time, by its id."""
    found = {}
    for spool in Spool.objects.filter(pk__in=[spool.pk for spool in spools]):
        moisture = moisture_of([spool], at)[spool.pk]
        rows = board.compute([spool.pk], at).rows
        found[spool.pk] = (
            remaining(spool),
            (moisture.mean_pct, moisture.shells, moisture.exposure_hours, moisture.heat_hours),
            list(spool.stays.filter(end=None).values_list("place", "start")),
            (spool.ended_at, moisture.history.opened),
            [board.values_of(row) | {"generation": 0} for row in rows],
        )
    return found


def require_rebuilt_equal(spools: Iterable[Spool]) -> None:
    """Checks that what is stored of these spools is what a rebuild computes, to the bit."""
    kept = list(spools)
    moisture_cache.advance(kept)
    assert moisture_cache.rebuild(kept) == []
