"""The stored moisture of spools: checkpoints and ensembles.

What is stored is valid: whoever changes a fact or an assumption deletes what rests on it and raises the cache
generation of the spools concerned (spools/invalidation.py). A result is stored only while the generation is
the one from before its facts were read.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from spools.air.hourly import hour_of
from spools.checks import lock_spool_facts
from spools.codes import pretty
from spools.invalidation import is_current_version
from spools.models import Ensemble, MoisturePoint, MoistureState, Prior, Spool, SpoolLesson
from spools.moisture.assimilation import WeighingResult, weighings_of
from spools.moisture.checkpoints import prune, shown_since, slot
from spools.moisture.feedstock_lessons import ComputedLesson
from spools.moisture.history import History
from spools.moisture.state import Moisture
from spools.moisture.steps import SpoolMoment, advance_spools, load_spools
from spools.physics_inputs import SMALL_JOB_G, Interval
from spools.wording import format_time

REBUILD_BATCH = 50


@dataclass(frozen=True)
class ComputedMoisture:
    """Rows that wait to be stored, and what else was computed on the way.

    generations: of each spool's caches before its facts were read. histories, last: the facts of each spool, and
    the spool at the time up to which it was computed, by its id.
    """

    generations: dict[int, int]
    checkpoints: list[MoistureState]
    points: list[MoisturePoint]
    ensembles: list[Ensemble]
    priors: list[Prior]
    lessons: list[ComputedLesson]
    histories: dict[int, History]
    last: dict[int, SpoolMoment]
    weighings: Mapping[int, WeighingResult]

    def states(self, at: datetime) -> dict[int, Moisture]:
        """The moisture of the spools at the time up to which they were computed, without its reasons."""
        return {
            pk: Moisture(
                max(at, history.spool.received_at),
                self.last[pk].clock.exposure_hours,
                self.last[pk].clock.heat_hours,
                [],
                self.last[pk].winding,
                history,
                self.weighings[pk],
            )
            for pk, history in self.histories.items()
        }


def advance(spools: Iterable[Spool], until: datetime | None = None) -> int:
    """Bring the stored moisture up to the last full hour. Returns how many checkpoints were stored."""
    return store_advance(compute_advance([spool.pk for spool in spools], until or timezone.now()))


def compute_advance(spool_ids: Sequence[int], until: datetime) -> ComputedMoisture:
    """The spools at a time, and the rows up to the last full hour before it; stores nothing, needs no transaction."""
    return _compute(spool_ids, until)


def _compute(
    spool_ids: Sequence[int], until: datetime, stored: "_StoredCheckpoints | None" = None
) -> ComputedMoisture:
    """stored: start from the receipt of the spools, and compare these with each checkpoint on the way."""
    # Read before all facts: one that is added meanwhile raises it.
    generations = dict(Spool.objects.filter(pk__in=spool_ids).values_list("pk", "cache_generation"))
    loaded = load_spools(spool_ids, until, from_scratch=stored is not None)
    times = {pk: [entry.at for entry in weighings_of(history)] for pk, history in loaded.histories.items()}
    taught = {pk for pk, result in loaded.weighings.items() if result.teachers}
    loaded.lessons.prepare(loaded.ensembles, times, taught)
    rows: dict[tuple[int, str, int], MoistureState] = {}
    points: list[MoisturePoint] = []
    # The air of the present hour changes with its next reading.
    last, closed = dict(loaded.starts), hour_of(until)
    shown = shown_since(closed)

    def is_needed(at: datetime, following: datetime | None) -> bool:
        if stored is not None or following is None or following > closed or at >= shown:
            return True
        return slot(at, closed) != slot(following, closed)

    for reached in advance_spools(loaded.histories, loaded.starts, until, is_needed):
        last |= reached
        for pk, moment in reached.items():
            if moment.closes and moment.at <= closed:
                row = rows[pk, *slot(moment.at, closed)] = _checkpoint(pk, moment)
                if moment.at >= shown:
                    points.append(_point(pk, moment))
                if stored is not None:
                    stored.compare(row)
    return ComputedMoisture(
        generations,
        list(rows.values()),
        points,
        loaded.ensembles,
        loaded.priors,
        list(loaded.lessons.computed.values()),
        loaded.histories,
        last,
        loaded.weighings,
    )


def _checkpoint(spool_id: int, moment: SpoolMoment) -> MoistureState:
    return MoistureState(
        spool_id=spool_id,
        at=moment.at,
        memory=moment.winding.state.to_bytes(),
        exposure_hours=moment.clock.exposure_hours,
        dry_hours=moment.clock.dry_hours,
        heat_hours=moment.clock.heat_hours,
    )


def _point(spool_id: int, moment: SpoolMoment) -> MoisturePoint:
    band = Interval.from_members(moment.winding.outer_pct(SMALL_JOB_G))
    return MoisturePoint(
        spool_id=spool_id, at=moment.at, p10_pct=band.p10, p50_pct=band.p50, p90_pct=band.p90
    )


@transaction.atomic
def store_advance(computed: ComputedMoisture) -> int:
    """Store computed rows, but none of a spool about which a fact was added meanwhile. Returns how many."""
    same = unchanged_spools(computed)
    if not same:
        return 0
    checkpoints = [row for row in computed.checkpoints if row.spool_id in same]
    points = [row for row in computed.points if row.spool_id in same]
    ensembles = [row for row in computed.ensembles if row.spool_id in same]
    # Other members have other checkpoints.
    moved = [row.spool_id for row in ensembles]
    Ensemble.objects.filter(spool__in=moved).delete()
    for model in (MoistureState, MoisturePoint):
        model._default_manager.filter(spool__in=moved).delete()
    MoistureState.objects.bulk_create(
        checkpoints,
        update_conflicts=True,
        unique_fields=["spool", "at"],
        update_fields=["memory", "exposure_hours", "dry_hours", "heat_hours"],
    )
    MoisturePoint.objects.bulk_create(
        points,
        update_conflicts=True,
        unique_fields=["spool", "at"],
        update_fields=["p10_pct", "p50_pct", "p90_pct"],
    )
    prune(same)
    priors = [row for row in computed.priors if row.spool_id in same]
    Prior.objects.filter(spool__in=[row.spool_id for row in priors]).delete()
    Prior.objects.bulk_create(priors)
    SpoolLesson.objects.bulk_create(
        [lesson.row for lesson in computed.lessons if lesson.rests_on & same],
        update_conflicts=True,
        unique_fields=["spool", "weighings"],
        update_fields=["last_at", "numbers"],
    )
    Ensemble.objects.bulk_create(ensembles)
    return len(checkpoints)


def unchanged_spools(computed: ComputedMoisture) -> set[int]:
    """The ids of the spools about which no fact was added since the computation began.

    They stay so until the transaction ends. None where another version of the physics computed.
    """
    lock_spool_facts()
    if not is_current_version():
        return set()
    now = dict(Spool.objects.filter(pk__in=computed.generations).values_list("pk", "cache_generation"))
    return {pk for pk, generation in computed.generations.items() if now.get(pk) == generation}


def rebuild(spools: Iterable[Spool], until: datetime | None = None) -> list[str]:
    """Compute all checkpoints again from the facts. Returns the differences in words: there should be none."""
    differences = []
    ids = [spool.pk for spool in spools]
    for first in range(0, len(ids), REBUILD_BATCH):
        batch = ids[first : first + REBUILD_BATCH]
        stored = _StoredCheckpoints(batch)
        computed = _compute(batch, until or timezone.now(), stored)
        with transaction.atomic():
            for model in (MoistureState, MoisturePoint):
                model._default_manager.filter(spool__in=batch).delete()
            Ensemble.objects.filter(spool__in=batch).delete()
            Prior.objects.filter(spool__in=batch).delete()
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
