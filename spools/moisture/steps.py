"""Takes spools from checkpoint to checkpoint: their segments by the physics, their clocks beside it.

Nothing here depends on when somebody asks: the segments follow from the facts, the members of the ensemble
from the spool's weighings. So continuing from a checkpoint and starting again give the same bits.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from itertools import chain

from spools.air.hourly import HOUR, hour_of
from spools.models import Ensemble, MoistureState, Prior, Spool
from spools.moisture import assimilation as spool_weighings
from spools.moisture import checkpoints, exposure_hours
from spools.moisture.assimilation import WeighingResult
from spools.moisture.exposure_hours import Clock, Exposure
from spools.moisture.feedstock_lessons import CATALOGUE, FeedstockLessons, Taught, stored_prior
from spools.moisture.history import History, Segment
from spools.moisture.history_queries import load, load_air
from spools.physics.chamber import AIR_EXCHANGE
from spools.physics.ensemble import Members
from spools.physics.surroundings import Surroundings
from spools.physics_inputs import (
    ConstantAir,
    Winding,
    initial_winding,
    join_airs,
    restore_winding,
)

NOTHING_TAUGHT: Mapping[int, Taught] = {}
IsNeeded = Callable[[datetime, datetime | None], bool]


@dataclass(frozen=True)
class SpoolMoment:
    """A spool at a time. closes: whether a checkpoint may be stored then."""

    at: datetime
    winding: Winding
    clock: Clock
    closes: bool = True


@dataclass(frozen=True)
class LoadedSpools:
    """Histories, weighing results and the moments to continue from, by spool id.

    ensembles, priors: not stored yet. lessons: those that taught them.
    """

    histories: dict[int, History]
    weighings: dict[int, WeighingResult]
    starts: dict[int, SpoolMoment]
    ensembles: list[Ensemble]
    priors: list[Prior]
    lessons: FeedstockLessons


def load_spools(
    ids: Sequence[int], at: datetime, *, from_scratch: bool = False, preloaded: Sequence[Spool] = ()
) -> LoadedSpools:
    """Spools with the moments to continue from up to ``at``: a checkpoint, or the spool as it was received.

    from_scratch: whatever is stored, as it was received. preloaded: as for history.load.
    """
    newest = {} if from_scratch else checkpoints.latest(ids, at)
    results: dict[int, WeighingResult] = {}
    taught: dict[int, Taught] = {}

    def since(history: History) -> datetime:
        pk, result = history.spool.pk, None
        prior = None if from_scratch else stored_prior(history.spool)
        if prior is not None:
            taught[pk], result = prior, spool_weighings.stored_result(history, prior)
        if result is not None:
            results[pk] = result
        else:
            # Checkpoints rest on the members that the weighings lead to.
            newest.pop(pk, None)
        return newest[pk].at if pk in newest else history.spool.received_at

    histories = load(ids, at, since, preloaded)
    untaught = [history.spool for pk, history in histories.items() if pk not in taught]
    lessons = FeedstockLessons(assimilate, from_scratch=from_scratch)
    taught |= lessons.teach(untaught) if untaught else {}
    missing = [history for pk, history in histories.items() if pk not in results]
    ensembles = assimilate([history for history in missing if spool_weighings.weighings_of(history)], taught)
    results |= {row.spool_id: WeighingResult.from_row(row, taught[row.spool_id]) for row in ensembles}
    for pk in histories.keys() - results.keys():
        results[pk] = spool_weighings.unweighed_result(taught[pk])
    priors = [taught[spool.pk].as_row(spool) for spool in untaught]
    starts = {pk: _start(h, results[pk].members, newest.get(pk)) for pk, h in histories.items()}
    return LoadedSpools(histories, results, starts, ensembles, priors, lessons)


def assimilate(histories: Sequence[History], taught: Mapping[int, Taught] = NOTHING_TAUGHT) -> list[Ensemble]:
    """Assimilates the weighings of these spools, each with the readings before the hour of its last one.

    taught: what each started with, by its id; those that are missing with the members of the catalogue.

    With those of that very hour, each further reading would have it assimilated again.
    """
    if not histories:
        return []
    last_hours = [hour_of(spool_weighings.weighings_of(history)[-1].at) for history in histories]
    ensembles = []
    for loaded, last_hour in zip(load_air(histories, max(last_hours)), last_hours, strict=True):
        history = loaded.before(last_hour)
        stages = _stages(history)
        replay = partial(_at_weighings, history, stages)
        prior = taught.get(history.spool.pk, CATALOGUE)
        ensembles.append(spool_weighings.assimilate(history, replay, _air_names(stages), prior))
    return ensembles


def _air_names(stages: Iterable["_Stage"]) -> list[str]:
    """The numbers of the members that the airs of these stages depend on."""
    airs = [air for stage in stages for air in stage.airs]
    names = {name for air in airs if air.errors is not None for name in air.errors.names}
    return sorted(names | {AIR_EXCHANGE for air in airs if air.chamber is not None})


@dataclass(frozen=True)
class _Stage:
    """From one time at which a checkpoint may be stored to the next: grams wound, and the air on the way."""

    end: datetime
    mass_g: float
    airs: list[Surroundings]
    is_turned: bool


def _stages(history: History) -> list[_Stage]:
    """A spool's stages up to its last weighing, the same for all members."""
    last = spool_weighings.weighings_of(history)[-1].at
    batches = _batches(history, history.spool.received_at, last, truncate=False)
    return [
        _Stage(batch[-1].end, batch[0].mass_g, join_airs(_airs(batch)), _is_turned(history, batch[0].start))
        for batch in batches
    ]


def _at_weighings(history: History, stages: Sequence[_Stage], members: Members) -> list[Winding]:
    """The windings of these members when the spool was weighed; checkpoints may be stored at those times."""
    start = _start(history, members, None)
    winding, reached = start.winding, {start.at: start.winding}
    for stage in stages:
        if stage.is_turned:
            winding = winding.turned()
        winding = reached[stage.end] = winding.resized(history.spool, stage.mass_g).through(stage.airs)
    return [reached[entry.at] for entry in spool_weighings.weighings_of(history)]


def _start(history: History, members: Members, row: MoistureState | None) -> SpoolMoment:
    spool = history.spool
    if row is None:
        received_at = spool.received_at
        winding = initial_winding(spool, history.mass_at(received_at), members)
        return SpoolMoment(received_at, winding, Clock())
    # Stored before a mass entry of that very time, which resizes the winding as it goes on.
    winding = restore_winding(spool, history.mass_at(row.at, before=True), members, bytes(row.memory))
    return SpoolMoment(row.at, winding, Clock(row.exposure_hours, row.dry_hours, row.heat_hours))


def advance_spools(
    histories: Mapping[int, History],
    starts: Mapping[int, SpoolMoment],
    until: datetime,
    is_needed: IsNeeded = lambda at, following: False,
) -> Iterator[dict[int, SpoolMoment]]:
    """The spools at their next times for checkpoints, by spool id, again and again; at last at ``until``.

    is_needed: whether to stop at one of these times, given the next, None where there is none. Else the physics goes
    on in the same call as long as the mass stays the same, which gives the same bits and takes less time.
    """
    moments = dict(starts)
    ways = {
        pk: _join_stages(_batches(h, moments[pk].at, until, truncate=True), is_needed, h.turns)
        for pk, h in histories.items()
    }
    while stages := {pk: stage for pk in ways if (stage := next(ways[pk], None))}:
        reached = {}
        for pk, batches in stages.items():
            airs = [air for batch in batches for air in join_airs(_airs(batch))]
            start, first = moments[pk].winding, batches[0][0]
            if _is_turned(histories[pk], first.start):
                start = start.turned()
            winding = start.resized(histories[pk].spool, first.mass_g).through(airs)
            clock, last = _advance_clock(moments[pk].clock, chain.from_iterable(batches)), batches[-1][-1]
            reached[pk] = SpoolMoment(last.end, winding, clock, last.closes)
        moments |= reached
        yield reached


def _is_turned(history: History, at: datetime) -> bool:
    """Whether it was wound onto another reel at a time; a checkpoint of that time is of before."""
    return at in history.turns


def _join_stages(
    batches: Iterator[list[Segment]], is_needed: IsNeeded, turns: AbstractSet[datetime]
) -> Iterator[list[list[Segment]]]:
    """Consecutive batches of one mass and one winding without a needed time between them."""
    stage: list[list[Segment]] = []
    for batch in batches:
        following = batch[-1].end if batch[-1].closes else None
        is_other = batch[0].start in turns or (stage and stage[0][0].mass_g != batch[0].mass_g)
        if stage and (is_other or is_needed(stage[-1][-1].end, following)):
            yield stage
            stage = []
        stage.append(batch)
    if stage:
        yield stage


def _batches(
    history: History, start: datetime, until: datetime, *, truncate: bool
) -> Iterator[list[Segment]]:
    """Segments up to ``until``, parted where checkpoints may be stored. truncate: and the rest after that."""
    batch: list[Segment] = []
    for segment in history.segments(start, until):
        is_whole = segment.end <= until
        batch.append(segment if is_whole else replace(segment, end=until, closes=False, credit=0.0))
        if batch[-1].closes:
            yield batch
            batch = []
    if batch and truncate:
        yield batch


def _airs(segments: Iterable[Segment]) -> list[ConstantAir]:
    """In its unopened bag a spool exchanges nothing: no air at all."""
    return [
        segment.constant_air((segment.end - segment.start) / HOUR)
        for segment in segments
        if segment.kind != Exposure.UNOPENED
    ]


def _advance_clock(clock: Clock, segments: Iterable[Segment]) -> Clock:
    for segment in segments:
        clock = exposure_hours.after(clock, segment.kind, (segment.end - segment.start) / HOUR)
        if segment.credit:
            clock = exposure_hours.after_run(clock, segment.credit)
    return clock
