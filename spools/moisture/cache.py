"""The stored moisture of spools: checkpoints, ensembles and the outer turns for reminders.

What is stored is valid: whoever changes a fact or an assumption deletes what rests on it and raises the cache
generation of the spools concerned (spools/invalidation.py). A result is stored only while the generation is
the one from before its facts were read.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import numpy as np
from django.db import transaction
from django.utils import timezone

from spools.air.climate import hour_of
from spools.catalogue.values import material_values
from spools.checks import lock_spool_facts
from spools.codes import pretty
from spools.invalidation import is_current_version
from spools.models import Ensemble, MoistureState, OuterTurns, Spool
from spools.moisture.checkpoints import prune, slot
from spools.moisture.history import History
from spools.moisture.state import moisture_of
from spools.moisture.steps import SpoolMoment, advance_spools, load_spools
from spools.physics_inputs import SMALL_JOB_G, Interval, Winding
from spools.wording import format_time

REBUILD_BATCH, OUTER_BATCH = 50, 250
# Each spool is advanced every so many hours, a share of the spools in each hour.
ROUND_H = 6
# The outer turns of a spool count for this long, somewhat longer than a round where the work is behind.
FRESH_FOR = timedelta(hours=8)


@dataclass(frozen=True)
class ComputedMoisture:
    """Rows that wait to be stored. generations: of each spool's caches before its facts were read."""

    generations: dict[int, int]
    checkpoints: list[MoistureState]
    ensembles: list[Ensemble]
    outer_turns: list[OuterTurns]


def advance(spools: Iterable[Spool], until: datetime | None = None) -> int:
    """Bring the stored moisture up to the last full hour. Returns how many checkpoints were stored."""
    return store_advance(compute_advance([spool.pk for spool in spools], until or timezone.now()))


def compute_advance(spool_ids: Sequence[int], until: datetime) -> ComputedMoisture:
    """The rows up to the last full hour before ``until``; stores nothing, needs no transaction."""
    return _compute(spool_ids, hour_of(until))


def _compute(
    spool_ids: Sequence[int], until: datetime, stored: "_StoredCheckpoints | None" = None
) -> ComputedMoisture:
    """stored: start from the receipt of the spools, and compare these with each checkpoint on the way."""
    # Read before all facts: one that is added meanwhile raises it.
    generations = dict(Spool.objects.filter(pk__in=spool_ids).values_list("pk", "cache_generation"))
    loaded = load_spools(spool_ids, until, from_scratch=stored is not None)
    rows: dict[tuple[int, str, int], MoistureState] = {}
    last = dict(loaded.starts)
    for reached in advance_spools(loaded.histories, loaded.starts, until):
        last |= reached
        for pk, moment in reached.items():
            if moment.closes:
                row = rows[pk, *slot(moment.at, until)] = _checkpoint(pk, moment)
                if stored is not None:
                    stored.compare(row)
    outer_turns = _outer_turns_rows(loaded.histories, last, until)
    return ComputedMoisture(generations, list(rows.values()), loaded.ensembles, outer_turns)


def _checkpoint(spool_id: int, moment: SpoolMoment) -> MoistureState:
    return MoistureState(
        spool_id=spool_id,
        at=moment.at,
        memory=moment.winding.state.to_bytes(),
        exposure_hours=moment.clock.exposure_hours,
        dry_hours=moment.clock.dry_hours,
        heat_hours=moment.clock.heat_hours,
    )


def _outer_turns_rows(
    histories: Mapping[int, History], last: Mapping[int, SpoolMoment], until: datetime
) -> list[OuterTurns]:
    """None of a spool about which something was recorded in this hour: the next hour stores it."""
    quiet = {
        pk: (history.spool, last[pk].winding)
        for pk, history in histories.items()
        if history.spool.emptied_at is None and history.last_fact_at() < until
    }
    return [
        OuterTurns(
            spool_id=pk,
            at=until,
            over_clear=outer.over_clear,
            p10_pct=outer.pct.p10,
            p50_pct=outer.pct.p50,
            p90_pct=outer.pct.p90,
        )
        for pk, outer in _compute_outer(quiet).items()
    ]


@transaction.atomic
def store_advance(computed: ComputedMoisture) -> int:
    """Store computed rows, but none of a spool about which a fact was added meanwhile."""
    lock_spool_facts()
    if not is_current_version():
        return 0
    now = dict(Spool.objects.filter(pk__in=computed.generations).values_list("pk", "cache_generation"))
    same = {pk for pk, generation in computed.generations.items() if now.get(pk) == generation}
    checkpoints = [row for row in computed.checkpoints if row.spool_id in same]
    ensembles = [row for row in computed.ensembles if row.spool_id in same]
    # Other members have other checkpoints.
    moved = [row.spool_id for row in ensembles]
    Ensemble.objects.filter(spool__in=moved).delete()
    MoistureState.objects.filter(spool__in=moved).delete()
    MoistureState.objects.bulk_create(
        checkpoints,
        update_conflicts=True,
        unique_fields=["spool", "at"],
        update_fields=["memory", "exposure_hours", "dry_hours", "heat_hours"],
    )
    prune(same)
    Ensemble.objects.bulk_create(ensembles)
    OuterTurns.objects.filter(spool__in=same).delete()
    OuterTurns.objects.bulk_create([row for row in computed.outer_turns if row.spool_id in same])
    return len(checkpoints)


def rebuild(spools: Iterable[Spool], until: datetime | None = None) -> list[str]:
    """Compute all checkpoints again from the facts. Returns the differences in words: there should be none."""
    differences = []
    ids = [spool.pk for spool in spools]
    for first in range(0, len(ids), REBUILD_BATCH):
        batch = ids[first : first + REBUILD_BATCH]
        stored = _StoredCheckpoints(batch)
        computed = _compute(batch, hour_of(until or timezone.now()), stored)
        with transaction.atomic():
            MoistureState.objects.filter(spool__in=batch).delete()
            Ensemble.objects.filter(spool__in=batch).delete()
            store_advance(computed)
        differences += stored.differences()
    return differences


class _StoredCheckpoints:
    """The stored checkpoints of some spools, to compare with those that a rebuild computes."""

    def __init__(self, spool_ids: Sequence[int]):
        rows = MoistureState.objects.filter(spool__in=spool_ids).select_related("spool")
        self._rows = {(row.spool_id, row.at): row for row in rows}
        self._changed: list[MoistureState] = []

    def compare(self, computed: MoistureState) -> None:
        row = self._rows.pop((computed.spool_id, computed.at), None)
        if row is not None and bytes(row.memory) != computed.memory:
            self._changed.append(row)

    def differences(self) -> list[str]:
        """In words; checkpoints that were not computed again are differences, too."""
        other = [
            f"Spool {pretty(r.spool.code)}: other moisture on {format_time(r.at)}." for r in self._changed
        ]
        return other + [
            f"Spool {pretty(row.spool.code)}: no checkpoint is computed for {format_time(row.at)}."
            for row in self._rows.values()
        ]


class SmallJobMoisture(NamedTuple):
    """The moisture of the outer turns of a small job, and the chance that it is too much to print well."""

    over_clear: float
    pct: Interval


def outer_turns(spools: Iterable[Spool], now: datetime | None = None) -> dict[int, SmallJobMoisture]:
    """The outer turns of spools by spool id, for reminders, which look at all spools every few minutes.

    Stored ones count for FRESH_FOR; without one they are computed.
    """
    now, spools = now or timezone.now(), list(spools)
    rows = OuterTurns.objects.filter(at__gt=now - FRESH_FOR, at__lte=now)
    columns = rows.values_list("spool", "over_clear", "p10_pct", "p50_pct", "p90_pct")
    fresh = {pk: SmallJobMoisture(over_clear, Interval(*pct)) for pk, over_clear, *pct in columns}
    stale = [spool for spool in spools if spool.pk not in fresh]
    for first in range(0, len(stale), OUTER_BATCH):
        moistures = moisture_of(stale[first : first + OUTER_BATCH], now)
        fresh |= _compute_outer({pk: (m.history.spool, m.winding) for pk, m in moistures.items()})
    return {spool.pk: fresh[spool.pk] for spool in spools}


def _compute_outer(windings: Mapping[int, tuple[Spool, Winding]]) -> dict[int, SmallJobMoisture]:
    """By the same keys."""
    over_clear, contents = [], []
    for spool, winding in windings.values():
        limit_pct = material_values(spool.feedstock).limit_clear_pct
        contents.append(winding.outer_pct(SMALL_JOB_G))
        over_clear.append(float((contents[-1] > limit_pct).mean()))
    intervals = Interval.from_rows(np.array(contents))
    moistures = [SmallJobMoisture(*row) for row in zip(over_clear, intervals, strict=True)]
    return dict(zip(windings, moistures, strict=True))


def find_stale(now: datetime) -> list[int]:
    """The ids of the spools in use for which something has to be stored, in order. One query.

    Each has its hour every ROUND_H hours, and once something was recorded; a share of them in each hour, so
    that no sweep has to do with all.
    """
    until = hour_of(now.astimezone(UTC))
    rows = Spool.objects.filter(emptied_at=None).order_by("pk").values_list("pk", "outer_turns__at")
    due = [until - timedelta(hours=(until.hour - share) % ROUND_H) for share in range(ROUND_H)]
    return [pk for pk, at in rows if at is None or not due[pk % ROUND_H] <= at <= until]
