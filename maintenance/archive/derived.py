"""Digests of all that is derived from the facts, as of a time: equal where each number is equal to the bit."""

import hashlib
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any

from maintenance.archive.contents import as_line
from maintenance.board import toolheads
from maintenance.models import Reservation, Toolhead, WearEntry
from spools.board import board
from spools.models import Spool, Stay
from spools.moisture.state import moisture_of

BATCH = 200
# Counters of caches, not answers.
GENERATIONS = {"generation", "advice_generation"}


def digest_derived(at: datetime) -> dict[str, str]:
    """SHA-256 of each kind of derived state, by its name. Reads only."""
    ids = list(Spool.objects.order_by("pk").values_list("pk", flat=True))
    return {
        "moisture": _digest(_moisture(ids, at)),
        "board of spools": _digest(_board(ids, at)),
        "board of toolheads": _digest(_toolheads(at)),
        "stays": _digest(
            Stay.objects.order_by("spool", "start").values_list("spool", "place", "start", "end", "move")
        ),
        "wear": _digest(
            WearEntry.objects.order_by("part", "use").values_list(
                "part", "use", "dose_km", "feed_km", "hot_h", "residue_h", "hours", "prints", "mass_g"
            )
        ),
        "reservations": _digest(
            Reservation.objects.order_by("job", "toolhead", "spool").values_list(
                "job", "toolhead", "spool", "mass_g", "nozzle_c"
            )
        ),
    }


def _digest(rows: Iterable[Any]) -> str:
    digest = hashlib.sha256()
    for row in rows:
        digest.update(as_line(row))
    return digest.hexdigest()


def _moisture(ids: list[int], at: datetime) -> Iterator[Any]:
    for first in range(0, len(ids), BATCH):
        found = moisture_of(Spool.objects.filter(pk__in=ids[first : first + BATCH]), at)
        for pk, moisture in sorted(found.items()):
            exposures = moisture.exposure_hours, moisture.heat_hours
            yield [pk, moisture.mean_pct, moisture.shells, exposures]


def _board(ids: list[int], at: datetime) -> Iterator[Any]:
    for first in range(0, len(ids), BATCH):
        for row in sorted(board.compute(ids[first : first + BATCH], at).rows, key=lambda row: row.pk):
            yield {name: value for name, value in board.values_of(row).items() if name not in GENERATIONS}


def _toolheads(at: datetime) -> Iterator[Any]:
    for row in toolheads.compute(list(Toolhead.objects.order_by("pk").values_list("pk", flat=True)), at):
        yield [row.pk, row.inputs_json, row.materials_json, row.upkeep_json]
