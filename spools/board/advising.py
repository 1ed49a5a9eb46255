"""The drying advice on the board: stored with the rows, computed after them where that takes long.

The advice for a wet spool compares all dryers and set points and takes several times as long as its row. So where
many rows are stale, the worker computes the rows first and the advice after them.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import DateTimeField, F, Q, QuerySet, Subquery

from background.prepared import Parameter, PreparedQuery
from spools.board.rows import rows_in_use
from spools.checks import lock_spool_facts
from spools.drying.advice import NONE_NEEDED, Advice, advise
from spools.drying.choices import prints_well
from spools.drying.dryers import Dryers, load_dryers, planned_dryings
from spools.drying.runs import default_target_pct
from spools.invalidation import is_current_version, load_advice_generation
from spools.models import CacheVersion, SpoolBoard
from spools.moisture.state import Moisture, moisture_of
from spools.statements import Statement

# Up to so many rows are computed together with their advice.
AT_ONCE = 25
# The worker advises so many spools together: they load the air of dry boxes once.
GROUP = 200
# Advice to start a drying now is valid this long.
GOOD_FOR = timedelta(hours=1)
# The advice of a row that is stored before its advice is computed: stale from the start.
PENDING = Statement("advice.pending")
COLUMNS = ("advice", "advice_generation", "advice_good_until", "ready_at")


@dataclass(frozen=True)
class ComputedAdvice:
    """Advice that waits to be stored, by spool id. generations: of the spools, shop_generation: of the shop's
    advice, before the facts were read."""

    at: datetime
    advice: Mapping[int, Advice]
    generations: Mapping[int, int]
    shop_generation: int


def has_valid_advice(now: datetime | Parameter) -> Q:
    """The condition that the advice of a row is valid at a time, if no fact about its spool was added.

    That none is needed rests on the spool alone, until a plan for it is accepted.
    """
    rests_on_spool = Q(advice_generation=None) & ~Q(spool__in=planned_dryings().values("spool"))
    in_generation = rests_on_spool | Q(
        advice_generation=Subquery(CacheVersion.objects.values("advice_generation")[:1])
    )
    in_time = Q(advice_good_until=None) | Q(advice_good_until__gt=now)
    return in_generation & in_time


def find_unadvised(now: datetime, spool_ids: Collection[int] | None = None) -> list[int]:
    """The ids of the spools, of these or of all in use, whose row lacks a valid advice, in order. One query."""
    if spool_ids is not None:
        return [pk for (pk,) in _select_unadvised(now).filter(pk__in=list(spool_ids))]
    return [pk for (pk,) in _UNADVISED.run(now=now)]


def _select_unadvised(now: datetime | Parameter) -> QuerySet[SpoolBoard, Any]:
    rows = rows_in_use().filter(generation=F("spool__cache_generation"))
    valid = rows.filter(has_valid_advice(now)).values("pk")
    return rows.exclude(pk__in=valid).order_by("pk").values_list("pk")


_UNADVISED = PreparedQuery(lambda: _select_unadvised(Parameter("now", DateTimeField())))


@dataclass(frozen=True)
class AdvisedShop:
    """The dryers of the shop, loaded once for several groups of spools, with the generation of before."""

    generation: int
    dryers: Dryers

    @classmethod
    def load(cls, now: datetime) -> "AdvisedShop":
        generation = load_advice_generation()
        return cls(generation, load_dryers(now))


def compute(spool_ids: Sequence[int], shop: AdvisedShop) -> ComputedAdvice:
    """The advice for these spools, from the facts. Stores nothing, needs no transaction."""
    rows = rows_in_use().filter(pk__in=list(spool_ids), generation=F("spool__cache_generation"))
    generations, now = dict(rows.values_list("pk", "generation")), shop.dryers.at
    states = moisture_of([row.spool for row in rows.select_related("spool")], now) if generations else {}
    return ComputedAdvice(now, advise(states, shop.dryers), generations, shop.generation)


@transaction.atomic
def store(computed: ComputedAdvice) -> int:
    """Store advice, except for spools about which a fact was added meanwhile. Returns the number stored."""
    lock_spool_facts()
    if not is_current_version() or load_advice_generation() != computed.shop_generation:
        return 0
    unchanged = rows_in_use().filter(pk__in=list(computed.advice), generation=F("spool__cache_generation"))
    rows = [row for row in unchanged if row.generation == computed.generations.get(row.pk)]
    for row in rows:
        set_advice(row, computed.advice[row.pk], computed.shop_generation, computed.at)
    # bulk_update would take four times as long.
    SpoolBoard.objects.bulk_create(
        rows, update_conflicts=True, unique_fields=["spool"], update_fields=COLUMNS
    )
    return len(rows)


def advise_rows(
    rows: Sequence[SpoolBoard], states: Mapping[int, Moisture], shop_generation: int, now: datetime
) -> None:
    """Set the advice of new rows: of all where they are few, else of those that need no drying."""
    planned = set(planned_dryings().values_list("spool", flat=True))
    advice = {
        row.spool_id: Advice(NONE_NEEDED, default_target_pct(row.spool))
        for row in rows
        if row.run is None and row.spool_id not in planned and prints_well(states[row.spool_id])
    }
    undecided = {row.spool_id: states[row.spool_id] for row in rows if row.spool_id not in advice}
    if undecided and len(rows) <= AT_ONCE:
        dry_at = {row.run_id: row.run_dry_at for row in rows if row.run_id is not None}
        advice |= advise(undecided, load_dryers(now, states, dry_at))
    for row in rows:
        if row.spool_id in advice:
            set_advice(row, advice[row.spool_id], shop_generation, now)
        else:
            row.advice, row.advice_good_until = PENDING, now


def set_advice(row: SpoolBoard, advice: Advice, shop_generation: int, now: datetime) -> None:
    """Copy an advice that was computed at ``now`` into a row."""
    drying = advice.drying
    row.advice, row.ready_at, row.advice_good_until = advice.statement, None, None
    row.advice_generation = None if advice.kind == NONE_NEEDED else shop_generation
    if drying is not None and drying.ready_at is not None:
        row.ready_at = max(now, drying.ready_at)
        starts_at = drying.starts_at if advice.run is None and drying.starts_at is not None else now
        row.advice_good_until = max(starts_at, now) + GOOD_FOR
