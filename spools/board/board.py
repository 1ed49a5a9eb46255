"""The board of spools: read by every screen, brought up to date after each fact and hour by hour.

A row is fresh while its generation is that of its spool's caches and its good_until lies ahead. Code that adds a
fact raises the generation in the same transaction (spools/invalidation.py), so no answer is old. Rows are computed
in one pass with the checkpoints of moisture and stored with them in one transaction. A row is not stored if a fact
about its spool was added meanwhile.
"""

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import BigIntegerField, DateTimeField, Q, QuerySet
from django.utils import timezone

from background.prepared import Parameter, PreparedQuery, PreparedRows
from spools.air.hourly import hour_of
from spools.board import advising
from spools.board.airs import load_air_classes
from spools.board.rows import compute_rows
from spools.board.rows import rows_in_use as rows_in_use
from spools.codes import pretty
from spools.drying.advice import advise
from spools.drying.dryers import load_dryers
from spools.invalidation import load_advice_generation, wake
from spools.models import Spool, SpoolBoard
from spools.models.board import is_fresh as is_fresh
from spools.moisture import cache as moisture_cache
from spools.moisture.state import Moisture
from spools.statements import Statement

# A reader computes up to so many stale rows itself, about a second's work; of more it shows the stored ones.
AT_ONCE = 200
# Each spool is computed again every so many hours, an equal share of the spools in each hour.
ROUND_H = 6
REBUILD_BATCH = 200
# The columns that replace those of a stored row.
COLUMNS = [field for field in SpoolBoard._meta.concrete_fields if not field.primary_key]
JOINED = ("place", "run__dryer")


@dataclass(frozen=True)
class ComputedBoard:
    """Rows of the board that wait to be stored, with the moisture that they were computed from."""

    moisture: moisture_cache.ComputedMoisture
    rows: list[SpoolBoard]


def compute(spool_ids: Sequence[int], now: datetime) -> ComputedBoard:
    """The rows of these spools now, with the checkpoints on the way; stores nothing, needs no transaction."""
    # Read before all facts, as the generations of the spools are.
    shop_generation = load_advice_generation()
    moisture = moisture_cache.compute_advance(spool_ids, now)
    windings = {pk: moment.winding for pk, moment in moisture.last.items()}
    rows = compute_rows(moisture.histories, windings, moisture.generations, load_air_classes(now), now)
    advising.advise_rows(rows, moisture.states(now), shop_generation, now)
    return ComputedBoard(moisture, rows)


@transaction.atomic
def store(computed: ComputedBoard) -> int:
    """Store computed rows and checkpoints, except of spools about which a fact was added meanwhile."""
    unchanged = moisture_cache.unchanged_spools(computed.moisture)
    moisture_cache.store_advance(computed.moisture)
    rows = [row for row in computed.rows if row.spool_id in unchanged]
    SpoolBoard.objects.filter(spool__in=unchanged - {row.spool_id for row in rows}).delete()
    _restore_advice([row for row in rows if row.advice == advising.PENDING])
    SpoolBoard.objects.bulk_create(
        rows, update_conflicts=True, unique_fields=["spool"], update_fields=[field.name for field in COLUMNS]
    )
    return len(rows)


def _restore_advice(rows: Sequence[SpoolBoard]) -> None:
    """Copy the stored advice into these rows, if no fact about the spool was added since.

    But not that none is needed: these rows need some.
    """
    stored = SpoolBoard.objects.only("generation", *advising.COLUMNS).in_bulk([row.spool_id for row in rows])
    for row in rows:
        before = stored.get(row.spool_id)
        if before is None or before.advice_generation is None or before.generation != row.generation:
            continue
        for name in advising.COLUMNS:
            setattr(row, name, getattr(before, name))


def refresh(spool_ids: Collection[int], now: datetime | None = None) -> int:
    """Compute and store the rows of these spools. Returns the number stored."""
    return store(compute(list(spool_ids), now or timezone.now())) if spool_ids else 0


def read(spool_ids: Collection[int] | None = None, now: datetime | None = None) -> dict[int, SpoolBoard]:
    """The rows of these spools, or of all in use, by spool id. One query for these where all are fresh, two for all.

    Stale rows are computed here while they are at most AT_ONCE; of more, the stored ones are returned with their
    computed_at, spools without one are left out, and the worker is woken. The same holds for advice, above
    advising.AT_ONCE. Spools out of use have no row.
    """
    now = now or timezone.now()
    stored = rows_in_use() if spool_ids is None else rows_in_use().filter(spool__in=list(spool_ids))
    if spool_ids is not None and len(spool_ids) == 1:
        [spool_id] = spool_ids
        loaded: list[Any] = _ONE.run(spool=spool_id, now=now)
    else:
        loaded = list(_with_validity(stored, now).select_related(*JOINED).order_by("pk"))
    rows: dict[int, SpoolBoard] = {row.spool_id: row for row in loaded}
    if spool_ids is not None and rows.keys() == set(spool_ids) and all(row.valid for row in loaded):
        return rows
    spools = Spool.objects.filter(ended_at=None)
    if spool_ids is not None:
        spools = spools.filter(pk__in=list(spool_ids))
    ids = set(spools.values_list("pk", flat=True))
    fresh_ids = set(stored.filter(is_fresh(now)).values_list("pk", flat=True))
    # A worker may have stored these since they were read.
    again = {pk for pk in fresh_ids if pk not in rows or not rows[pk].fresh}  # type: ignore[attr-defined]
    rows |= {row.spool_id: row for row in _catch_up(sorted(ids - fresh_ids), now)}
    again |= set(_advise_few(advising.find_unadvised(now, spool_ids if spool_ids is None else ids), now))
    if again:
        rows |= {row.spool_id: row for row in stored.filter(pk__in=again).select_related(*JOINED)}
    return {pk: rows[pk] for pk in sorted(ids & rows.keys())}


def _with_validity(rows: QuerySet[SpoolBoard], now: datetime | Parameter) -> QuerySet[Any]:
    """fresh: whether a row is so at a time; valid: whether its advice is, too."""
    return rows.annotate(fresh=Q(is_fresh(now)), valid=Q(is_fresh(now), advising.has_valid_advice(now)))


_ONE = PreparedRows(
    lambda: _with_validity(
        rows_in_use().filter(spool=Parameter("spool", BigIntegerField())), Parameter("now", DateTimeField())
    ),
    *("place", "run", "run__dryer"),
)


def catch_up(now: datetime) -> int:
    """Bring stale rows and their advice up to date as read() does. Returns the number left to the worker."""
    stale = find_stale(now)
    _catch_up(stale, now)
    _advise_few(advising.find_unadvised(now), now)
    return len(stale) if len(stale) > AT_ONCE else 0


def _catch_up(stale: Sequence[int], now: datetime) -> list[SpoolBoard]:
    if len(stale) > AT_ONCE:
        wake()
    if not 0 < len(stale) <= AT_ONCE:
        return []
    computed = compute(stale, now)
    store(computed)
    return computed.rows


def load_advice(states: Mapping[int, Moisture], at: datetime) -> dict[int, Statement]:
    """The drying advice for spools, by spool id: from fresh rows, else computed from states. Stores nothing.

    states: their moisture at a time, by spool id.
    """
    now = timezone.now()
    rows = SpoolBoard.objects.filter(is_fresh(now), advising.has_valid_advice(now), pk__in=list(states))
    stored = dict(rows.values_list("pk", "advice"))
    missing = {pk: state for pk, state in states.items() if pk not in stored}
    computed = advise(missing, load_dryers(at, missing)) if missing else {}
    return stored | {pk: advice.statement for pk, advice in computed.items()}


def _advise_few(unadvised: Sequence[int], now: datetime) -> Sequence[int]:
    """Store the advice of these spools, if they are few. Returns those whose advice was computed."""
    if len(unadvised) > advising.AT_ONCE:
        wake()
    if not 0 < len(unadvised) <= advising.AT_ONCE:
        return []
    advising.store(advising.compute(unadvised, advising.AdvisedShop.load(now)))
    return unadvised


def find_stale(now: datetime) -> list[int]:
    """The ids of the spools in use without a fresh row, in order. One query."""
    return [pk for (pk,) in _STALE.run(now=now)]


def _build_stale() -> QuerySet[Spool, Any]:
    fresh_rows = SpoolBoard.objects.filter(is_fresh(Parameter("now", DateTimeField())))
    spools = Spool.objects.filter(ended_at=None).exclude(pk__in=fresh_rows.values("pk"))
    return spools.order_by("pk").values_list("pk")


_STALE = PreparedQuery(_build_stale)


def find_due(now: datetime) -> list[int]:
    """The ids of the spools in use that are stale or due in this hour, in order. Two queries.

    Each is due every ROUND_H hours, an equal share of them in each hour, so that no sweep computes all.
    """
    until = hour_of(now.astimezone(UTC))
    turns = [until - timedelta(hours=(until.hour - share) % ROUND_H) for share in range(ROUND_H)]
    rows = rows_in_use().values_list("pk", "computed_at")
    return sorted({*find_stale(now), *(pk for pk, at in rows if at < turns[pk % ROUND_H])})


def rebuild(now: datetime | None = None) -> list[str]:
    """Drop the board and compute it again from the stored moisture. Returns the differences in words.

    There should be none. Rows that were computed at another time than ``now`` are not compared.
    """
    now, differences = now or timezone.now(), []
    ids = list(Spool.objects.order_by("pk").values_list("pk", flat=True))
    for first in range(0, len(ids), REBUILD_BATCH):
        batch = ids[first : first + REBUILD_BATCH]
        rows = SpoolBoard.objects.filter(is_fresh(now), pk__in=batch, computed_at=now)
        before = {row.pk: values_of(row) for row in rows}
        computed = compute(batch, now)
        with transaction.atomic():
            SpoolBoard.objects.filter(pk__in=batch).delete()
            store(computed)
        differences += [
            f"Spool {pretty(row.spool.code)}: other answers on the board."
            for row in computed.rows
            if before.get(row.spool_id, values_of(row)) != values_of(row)
        ]
    return differences


def values_of(row: SpoolBoard) -> dict[str, object]:
    """The columns of a row, for comparing."""
    values = {field.name: getattr(row, field.attname) for field in COLUMNS}
    # As stored: JSON has no tuples.
    advice = json.loads(json.dumps(row.advice.as_data()))
    return values | {"outlooks_json": bytes(row.outlooks_json), "advice": advice}
