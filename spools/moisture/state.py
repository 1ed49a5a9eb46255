"""A spool's moisture and exposure hours: from its facts, by the physics, kept in checkpoints.

Nothing here depends on when somebody asks: the segments follow from the facts, the members of the ensemble
from the spool's code. So continuing from a checkpoint and starting again give the same numbers, to the bit.
"""

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F, Q, QuerySet
from django.utils import timezone

from spools import fingerprint
from spools.air.climate import hour_of
from spools.air.hourly import HOUR
from spools.catalogue.values import material_values
from spools.checks import lock_spool_facts
from spools.codes import pretty
from spools.invalidation import MODEL_VERSION, invalidate_after, latest, prune, slot
from spools.models import Ensemble, MoistureState, OuterTurns, Spool
from spools.moisture import exposure_hours
from spools.moisture import weighings as spool_weighings
from spools.moisture.exposure_hours import Clock
from spools.moisture.history import History, Segment, load
from spools.moisture.weighings import Known
from spools.physics.surroundings import Surroundings
from spools.physics_inputs import (
    SMALL_JOB_G,
    Array,
    ConstantAir,
    Interval,
    Winding,
    advance_windings,
    initial_winding,
    join_airs,
    restore_winding,
    start_rh,
)
from spools.wording import format_time

__all__ = ["Interval", "Moisture", "advance", "invalidate_after", "moisture_now", "moisture_of", "rebuild"]
REBUILD_BATCH, OUTER_BATCH = 50, 250
LOOKS_AHEAD = timedelta(days=60)
# Stored ones are at most so many hours old, or somewhat more where the work is behind.
ROUND_H = 6
FRESH_FOR = timedelta(hours=8)
ORIGIN = {
    "reading": "measured",
    "computed": "computed from its room and desiccant, no reading in the last 6 h",
    "assumed": "assumed, no reading in the last 6 h",
    "dryer": "in a drying run",
}


@dataclass(frozen=True)
class Moisture:
    """What is known of a spool's moisture at a time: an ensemble, its bands, and what they rest on.

    history: the facts that it was computed from, so that nobody who shows them loads them again.
    known: what its weighings say.
    """

    at: datetime
    exposure_hours: float
    heat_hours: float
    why: list[str]
    winding: Winding
    history: History
    known: Known

    @property
    def mean_pct(self) -> Interval:
        """Of the whole winding, % by mass."""
        return Interval.from_members(self.winding.mean_pct())

    @property
    def shells(self) -> list[tuple[float, float, float, float, float]]:
        """(inner radius mm, outer radius mm, p10, p50, p90 in %) of each shell, core first."""
        return self.winding.shells()

    def outer_pct(self, mass_g: float) -> Interval:
        """Of the outermost turns that weigh mass_g, which a job takes first, % by mass."""
        return Interval.from_members(self.winding.outer_pct(mass_g))

    def probability_over(self, limit_pct: float, mass_g: float | None = None) -> float:
        """How likely the outermost mass_g, or all of it, is above a limit in %: the share of members."""
        return float((self.winding.outer_pct(mass_g) > limit_pct).mean())

    def ahead(
        self, hours: float, temperature_c: float, rh_pct: float, moving_air: bool = False
    ) -> "Moisture":
        """The moisture after some hours in constant air. A forecast: nothing is stored, the clock stands."""
        return forecast([(self, ConstantAir(hours, temperature_c, rh_pct, moving_air))])[0]


def forecast(lanes: Sequence[tuple[Moisture, ConstantAir]]) -> list[Moisture]:
    """Moisture.ahead for many at once: much quicker than one by one."""
    windings = advance_windings([(moisture.winding, [air]) for moisture, air in lanes])
    return [
        replace(moisture, at=moisture.at + timedelta(hours=air.hours), winding=winding)
        for (moisture, air), winding in zip(lanes, windings, strict=True)
    ]


def moisture_now(spool: Spool) -> Moisture:
    """The moisture of one spool now."""
    return moisture_of([spool])[spool.pk]


def moisture_of(
    spools: Iterable[Spool], at: datetime | None = None, *, preloaded: bool = False
) -> dict[int, Moisture]:
    """The moisture of spools at a time, by spool id. Stores nothing; six queries however many spools,
    some more for dry boxes in which nothing is read and for weighings that are not worked in yet.

    preloaded: the spools come from queries.with_materials() and are up to date; that saves a query.
    A spool that had not come yet, or is empty, is told as at the nearest time that it was there.
    """
    at = at or timezone.now()
    if at > timezone.now() + LOOKS_AHEAD:
        raise ValidationError({"at": f"Give a time within the next {LOOKS_AHEAD.days} days."})
    spools = list(spools)
    loaded = _loaded([spool.pk for spool in spools], at, given=spools if preloaded else ())
    histories, states = loaded.histories, loaded.states
    for reached in _reached(histories, states, at, shortened=True):
        states |= reached
    return {
        pk: Moisture(
            max(at, history.spool.received_at),
            states[pk].clock.exposure_hours,
            states[pk].clock.heat_hours,
            [*_why(history, at), *loaded.known[pk].why(history)],
            states[pk].winding,
            history,
            loaded.known[pk],
        )
        for pk, history in histories.items()
    }


@dataclass(frozen=True)
class Advance:
    """What was computed and waits to be stored.

    cache_generation: how often the checkpoints of each spool had been cut back before its facts were read.
    """

    cache_generation: dict[int, int]
    rows: list[MoistureState]
    ensembles: list[Ensemble]
    outer: list[OuterTurns]


def advance(spools: Iterable[Spool], until: datetime | None = None) -> int:
    """Bring the stored moisture up to the last full hour. Returns how many checkpoints were stored."""
    return store_advance(compute_advance([spool.pk for spool in spools], until or timezone.now()))


def compute_advance(spool_ids: Sequence[int], until: datetime) -> Advance:
    """The checkpoints up to the last full hour before ``until``; stores nothing, needs no transaction."""
    return _computed(spool_ids, hour_of(until))[0]


@transaction.atomic
def store_advance(computed: Advance) -> int:
    """Store computed checkpoints; none of a spool about which a fact was added meanwhile."""
    lock_spool_facts()
    spools = (
        Spool.objects.select_for_update(no_key=True).filter(pk__in=computed.cache_generation).order_by("pk")
    )
    now = dict(spools.values_list("pk", "cache_generation"))
    same = {
        pk for pk, cache_generation in computed.cache_generation.items() if now.get(pk) == cache_generation
    }
    rows = [row for row in computed.rows if row.spool_id in same]
    ensembles = [ensemble for ensemble in computed.ensembles if ensemble.spool_id in same]
    outer = [turns for turns in computed.outer if turns.spool_id in same]
    # Other members have other checkpoints.
    moved = [ensemble.spool_id for ensemble in ensembles]
    Ensemble.objects.filter(spool__in=moved).delete()
    MoistureState.objects.filter(spool__in=moved).delete()
    MoistureState.objects.bulk_create(
        rows,
        update_conflicts=True,
        unique_fields=["spool", "at"],
        update_fields=["model_version", "memory", "exposure_hours", "dry_hours", "heat_hours", "basis"],
    )
    prune(same)
    Ensemble.objects.bulk_create(ensembles)
    OuterTurns.objects.filter(spool__in=same).delete()
    OuterTurns.objects.bulk_create(outer)
    return len(rows)


def rebuild(spools: Iterable[Spool], until: datetime | None = None) -> list[str]:
    """Compute all checkpoints again from the facts. Returns what changed, in words: nothing should."""
    changes = []
    ids = [spool.pk for spool in spools]
    for first in range(0, len(ids), REBUILD_BATCH):
        batch = ids[first : first + REBUILD_BATCH]
        computed, changed = _computed(batch, hour_of(until or timezone.now()), again=True)
        with transaction.atomic():
            MoistureState.objects.filter(spool__in=batch).delete()
            Ensemble.objects.filter(spool__in=batch).delete()
            OuterTurns.objects.filter(spool__in=batch).delete()
            store_advance(computed)
        changes += changed
    return changes


class Outer(NamedTuple):
    """What the outer turns of a small job hold, and the chance that it is too much to print well."""

    over_clear: float
    pct: Interval


def outer_turns(spools: Iterable[Spool], now: datetime | None = None) -> dict[int, Outer]:
    """For reminders, which look at all spools every few minutes: what is stored where that is fresh.

    By spool id. A fact about a spool makes it stale; as time goes by, it may be some hours old.
    """
    now, spools = now or timezone.now(), list(spools)
    rows = _fresh(_mark()).filter(at__gt=now - FRESH_FOR, at__lte=now)
    columns = rows.values_list("spool", "over_clear", "p10_pct", "p50_pct", "p90_pct")
    fresh = {pk: Outer(over_clear, Interval(*pct)) for pk, over_clear, *pct in columns}
    stale = [spool for spool in spools if spool.pk not in fresh]
    for first in range(0, len(stale), OUTER_BATCH):
        told = moisture_of(stale[first : first + OUTER_BATCH], now)
        fresh |= _outer({pk: (moisture.history.spool, moisture.winding) for pk, moisture in told.items()})
    return {spool.pk: fresh[spool.pk] for spool in spools}


def find_stale(now: datetime) -> list[int]:
    """The spools in use of which something has to be stored: ids, in order. Three queries.

    Each has its turn every ROUND_H hours and once something was recorded; a sixth of them in each hour, so
    that no sweep has to do with all.
    """
    until = hour_of(now.astimezone(UTC))
    done = Q(pk__in=[])
    for ago in range(ROUND_H):
        turn = (until.hour - ago) % ROUND_H
        done |= Q(turn=turn, outer_turns__at__gte=until - timedelta(hours=ago))
    done &= Q(outer_turns__assumed=_mark(), outer_turns__at__lte=until)
    spools = Spool.objects.annotate(turn=F("pk") % ROUND_H).filter(emptied_at=None).exclude(done)
    return list(spools.order_by("pk").values_list("pk", flat=True))


def _outer(windings: Mapping[int, tuple[Spool, Winding]]) -> dict[int, Outer]:
    """By the same keys."""
    over, held = [], []
    for spool, winding in windings.values():
        limit_pct = material_values(spool.feedstock).limit_clear_pct
        held.append(winding.outer_pct(SMALL_JOB_G))
        over.append(float((held[-1] > limit_pct).mean()))
    bands = Interval.from_rows(np.array(held))
    return {pk: Outer(*told) for pk, told in zip(windings, zip(over, bands, strict=True), strict=True)}


def _mark() -> str:
    """Of all assumptions: with others, what is stored of the outer turns is stale."""
    return fingerprint.fingerprint([MODEL_VERSION, fingerprint.of_shop()])


def _fresh(mark: str) -> QuerySet[OuterTurns]:
    """Those for these assumptions: facts delete them, so all that is stored of their spools is good, too."""
    return OuterTurns.objects.filter(assumed=mark)


@dataclass(frozen=True)
class _State:
    """closes: whether a checkpoint may be kept then."""

    at: datetime
    winding: Winding
    clock: Clock
    closes: bool = True


def _computed(ids: Sequence[int], until: datetime, again: bool = False) -> tuple[Advance, list[str]]:
    """Checkpoints up to ``until``; with ``again`` from the very start, and how stored ones differ."""
    # Read before all facts: one that is added meanwhile cuts the spool back.
    cache_generation = dict(Spool.objects.filter(pk__in=ids).values_list("pk", "cache_generation"))
    mark = _mark()
    trusted = {} if again else {told.spool_id: told for told in _fresh(mark).filter(spool__in=ids)}
    loaded = _loaded(ids, until, again, trusted=trusted)
    histories = loaded.histories
    old = MoistureState.objects.filter(spool__in=ids).select_related("spool") if again else []
    stored = {(row.spool_id, row.at): row for row in old}
    kept: dict[tuple[int, str, int], MoistureState] = {}
    changes = []
    last = dict(loaded.states)
    for reached in _reached(histories, loaded.states, until, shortened=True):
        last |= reached
        for pk, state in reached.items():
            if not state.closes:
                continue
            row = kept[pk, *slot(state.at, until)] = _row(histories[pk], state)
            before = stored.pop((pk, state.at), None)
            if before is not None and bytes(before.memory) != row.memory:
                changes.append(
                    f"Spool {pretty(before.spool.code)}: other moisture on {format_time(state.at)}."
                )
    changes += [
        f"Spool {pretty(row.spool.code)}: nothing is kept for {format_time(row.at)}."
        for row in stored.values()
    ]
    quiet = {
        pk: (history.spool, last[pk].winding)
        for pk, history in histories.items()
        if history.spool.emptied_at is None and history.last_fact_at() < until
    }
    outer = [
        OuterTurns(
            spool_id=pk,
            at=until,
            assumed=mark,
            over_clear=told.over_clear,
            **_columns(told.pct),
            **standing_columns(histories[pk], until),
        )
        for pk, told in _outer(quiet).items()
    ]
    return Advance(cache_generation, list(kept.values()), loaded.ensembles, outer), changes


def standing_columns(history: History, until: datetime) -> dict[str, Any]:
    """Columns for how a spool stands, if it does."""
    if (place := history.standing_in) is None:
        return {}
    return {
        "place": place,
        "last_fact_at": history.last_fact_at(),
        "winding_g": history.winding_g,
        "opened": history.opened_at() is not None,
        "before": history.before(until),
        "members": spool_weighings.key(history),
    }


def _columns(band: Interval) -> dict[str, float]:
    return {f"{name}_pct": value for name, value in band._asdict().items()}


def _row(history: History, state: _State) -> MoistureState:
    return MoistureState(
        spool_id=history.spool.pk,
        at=state.at,
        model_version=MODEL_VERSION,
        memory=state.winding.state.to_bytes(),
        exposure_hours=state.clock.exposure_hours,
        dry_hours=state.clock.dry_hours,
        heat_hours=state.clock.heat_hours,
        basis=basis_of(history, state.at),
    )


@dataclass(frozen=True)
class _Loaded:
    """Histories, what the weighings say and the states to continue from, by spool id; new ensembles."""

    histories: dict[int, History]
    known: dict[int, Known]
    states: dict[int, _State]
    ensembles: list[Ensemble]


def _loaded(
    ids: Sequence[int],
    at: datetime,
    again: bool = False,
    given: Sequence[Spool] = (),
    trusted: Mapping[int, OuterTurns] | None = None,
) -> _Loaded:
    """States to continue from: a checkpoint, or the spool as it was received.

    again: from the start. trusted: spools whose checkpoints are good without a look at their basis, by id,
    and how they stand.
    """
    checkpoints = {} if again else latest(ids, at)

    def since(history: History) -> datetime:
        pk = history.spool.pk
        row = checkpoints.get(pk)
        if row is not None and not history.trusted and row.basis != basis_of(history, row.at):
            del checkpoints[pk]
        return checkpoints[pk].at if pk in checkpoints else history.spool.received_at

    known_at = {pk: row.at for pk, row in checkpoints.items()}
    histories = load(ids, at, since, given, trusted or {}, known_at)
    known = {} if again else {pk: kept for pk, h in histories.items() if (kept := spool_weighings.kept(h))}
    ensembles = _assimilated([history for pk, history in histories.items() if pk not in known])
    known |= {row.spool_id: Known.of(row) for row in ensembles}
    for pk in histories.keys() - known.keys():
        known[pk] = spool_weighings.never_weighed(histories[pk].spool)
    states = {pk: _start(h, known[pk].points, checkpoints.get(pk)) for pk, h in histories.items()}
    return _Loaded(histories, known, states, ensembles)


def _assimilated(histories: Iterable[History]) -> list[Ensemble]:
    """The weighings of these spools, worked in: for all but those that were never weighed."""
    found = []
    for given in histories:
        if not (weighings := spool_weighings.weighings_of(given)):
            continue
        # Without the readings of that very hour: each further one would have it worked in anew.
        last = hour_of(weighings[-1].at)
        pk = given.spool.pk
        history = load([pk], last, lambda history: history.spool.received_at)[pk]
        # With the facts that were given: one may have been added since, and both are told together.
        history = replace(
            history, spool=given.spool, stays=given.stays, runs=given.runs, entries=given.entries
        )
        found.append(spool_weighings.assimilated(history, partial(_at_weighings, history, _stages(history))))
    return found


@dataclass(frozen=True)
class _Stage:
    """From one time at which checkpoints may be kept to the next: grams wound, and the air on the way."""

    end: datetime
    mass_g: float
    airs: list[Surroundings]


def _stages(history: History) -> list[_Stage]:
    """A spool's way up to its last weighing, the same for all members."""
    last = spool_weighings.weighings_of(history)[-1].at
    batches = _batches(history, history.spool.received_at, last, shortened=False)
    return [_Stage(batch[-1].end, batch[0].mass_g, join_airs(_airs(batch))) for batch in batches]


def _at_weighings(history: History, stages: Sequence[_Stage], points: Array) -> list[Winding]:
    """The windings of these members when the spool was weighed; checkpoints may be kept at those times."""
    start = _start(history, points, None)
    winding, found = start.winding, {start.at: start.winding}
    for stage in stages:
        winding = found[stage.end] = winding.resized(history.spool, stage.mass_g).through(stage.airs)
    return [found[entry.at] for entry in spool_weighings.weighings_of(history)]


def basis_of(history: History, at: datetime) -> str:
    """What a checkpoint was computed with: what is assumed, and the members."""
    return hashlib.sha256(f"{history.basis(at)} {spool_weighings.key(history)}".encode()).hexdigest()[:16]


def _start(history: History, points: Array, row: MoistureState | None) -> _State:
    spool = history.spool
    if row is None:
        came = spool.received_at
        return _State(came, initial_winding(spool, history.mass_at(came), points), Clock())
    # Kept before a mass entry of that very time, which resizes the winding as it goes on.
    winding = restore_winding(spool, history.mass_at(row.at, before=True), points, bytes(row.memory))
    return _State(row.at, winding, Clock(row.exposure_hours, row.dry_hours, row.heat_hours))


def _reached(
    histories: dict[int, History], starts: dict[int, _State], until: datetime, shortened: bool = False
) -> Iterator[dict[int, _State]]:
    """The states of all spools at their next times for checkpoints, by spool id, again and again.

    The physics takes all spools to their next one in one call. ``shortened``: and at last to ``until``.
    """
    states = dict(starts)
    batches = {pk: _batches(history, states[pk].at, until, shortened) for pk, history in histories.items()}
    while segments := {pk: found for pk in batches if (found := next(batches[pk], None))}:
        windings = advance_windings(
            [
                (states[pk].winding.resized(histories[pk].spool, found[0].mass_g), _airs(found))
                for pk, found in segments.items()
            ]
        )
        reached = {
            pk: _State(found[-1].end, winding, _told(states[pk].clock, found), found[-1].closes)
            for (pk, found), winding in zip(segments.items(), windings, strict=True)
        }
        states |= reached
        yield reached


def _batches(history: History, start: datetime, until: datetime, shortened: bool) -> Iterator[list[Segment]]:
    """Segments up to ``until``, parted where checkpoints may be kept."""
    batch: list[Segment] = []
    for segment in history.segments(start, until):
        whole = segment.end <= until
        batch.append(segment if whole else replace(segment, end=until, closes=False, credit=0.0))
        if batch[-1].closes:
            yield batch
            batch = []
    if batch and shortened:
        yield batch


def _airs(segments: list[Segment]) -> list[ConstantAir]:
    """In its unopened bag a spool exchanges nothing: no air at all."""
    return [
        ConstantAir((s.end - s.start) / HOUR, s.air.temperature_c, s.air.rh_pct, s.moving_air)
        for s in segments
        if s.kind != exposure_hours.Exposure.UNOPENED
    ]


def _told(told: Clock, segments: list[Segment]) -> Clock:
    for segment in segments:
        told = exposure_hours.after(told, segment.kind, (segment.end - segment.start) / HOUR)
        if segment.credit:
            told = exposure_hours.after_run(told, segment.credit)
    return told


def _why(history: History, at: datetime) -> list[str]:
    """What the moisture rests on, one sentence each."""
    spool, polymer = history.spool, history.spool.feedstock.polymer
    why = []
    here = history.segment_at(at)
    if here is not None and here.kind == exposure_hours.Exposure.UNOPENED:
        why.append(f"In its unopened bag in {here.place}: it takes up and gives off nothing.")
    elif here is not None:
        air = f"{here.air.temperature_c:.0f} °C and {here.air.rh_pct:.0f} % RH"
        why.append(f"In {here.place}: {air}, {ORIGIN[here.air.origin]}.")
    why.append(start_rh(spool)[1])
    ended = [run for run in history.runs if run.end is not None]
    if ended and ended[-1].end is not None:
        run, end = ended[-1], ended[-1].end
        stages = ", then ".join(
            f"at {celsius:g} °C for {hours:.0f} h" for celsius, hours in run.stages_until(end)
        )
        why.append(f"Last dried {stages}, until {format_time(end)}.")
    else:
        why.append("Not dried since it came.")
    why.append(
        f"How much {polymer} takes up: grade {polymer.grade_uptake}; how fast: grade {polymer.grade_rate} "
        "(A: two sources agree, B: one good, C: one weak or borrowed, D: from memory)."
    )
    return why
