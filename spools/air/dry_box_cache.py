"""The computed air of dry boxes: stored where it is, simulated where that does not reach.

Stored are the states at UTC midnights, to continue from, and the air at the sample times, which the spools in
the boxes take. So neither a sweep nor a page loads the spools of a box and their lives. What is stored is
valid: whoever changes a fact or an assumption deletes what rests on it (spools/invalidation.py).
"""

from bisect import bisect_right
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property

import numpy as np
from django.db import transaction
from django.db.models import OuterRef, Q, Subquery, prefetch_related_objects
from django.utils import timezone

from spools.air.dry_box_facts import (
    BoxFacts,
    ChargePeriod,
    complete_boxes,
    load_charges,
    load_facts,
    periods_of,
)
from spools.air.dry_box_simulation import (
    QUARTER,
    AirSample,
    BoxSimulation,
    HourState,
    quarter_of,
    sample_times,
)
from spools.air.hourly import FOREVER, HOUR, group_by_start, hour_of, load_readings
from spools.checks import EARLIEST, lock_spool_facts
from spools.invalidation import is_current_version
from spools.models import BoxAir, BoxBoard, BoxState, DesiccantCharge, Place

# How far back openings are counted for a forecast.
OPENINGS_OVER = timedelta(days=14)


@dataclass(frozen=True)
class CachedBox:
    """A box with the stored samples since a time (the newest at least) and the state to continue from."""

    place: Place
    charges: list[DesiccantCharge]
    samples: list[AirSample]
    state: BoxState | None

    @cached_property
    def periods(self) -> list[ChargePeriod]:
        return periods_of(self.charges)

    @property
    def start(self) -> HourState | None:
        """The box as it is continued from; None: from a charge."""
        if self.state is None:
            return None
        hour = self.state.at.astimezone(UTC)
        period = next(p for p in reversed(self.periods) if p.first <= hour)
        contents = {int(pk): values for pk, values in self.state.memory["contents"].items()}
        held = np.concatenate([np.zeros(0), *contents.values()])
        return HourState(hour, period, self.state.memory["water_kg"], tuple(contents), held)


@dataclass(frozen=True)
class AirSeries:
    """The air of one box for the spools in it, sample by sample, without a gap."""

    periods: list[ChargePeriod]
    samples: list[AirSample]

    def at(self, moment: datetime) -> tuple[tuple[float, float] | None, datetime]:
        """(°C, % RH) for the spools in it, None where none is computed, and until when that holds.

        Taken every sixth hour and when a charge starts: a box changes slowly, and a winding takes days to
        follow.
        """
        quarter = quarter_of(moment)
        firsts = [period.first for period in self.periods]
        n = bisect_right(firsts, moment)
        begin = max([quarter, *firsts[:n][-1:]])
        return self._airs.get(begin), min([quarter + QUARTER, *firsts[n:][:1]])

    def before(self, until: datetime) -> "AirSeries":
        """The same without the samples from a time on."""
        return AirSeries(self.periods, [sample for sample in self.samples if sample.at < until])

    @cached_property
    def _airs(self) -> dict[datetime, tuple[float, float]]:
        return {sample.at: (sample.temperature_c, sample.rh_pct) for sample in self.samples}


@dataclass(frozen=True)
class SimulatedAir:
    """The computed air of one box: (°C, % RH) by hour, and its last state."""

    facts: BoxFacts
    hours: dict[datetime, tuple[float, float]]
    room_hours: dict[datetime, tuple[float, float]]
    last: HourState | None


def simulate_airs(places: Iterable[Place], since: datetime, until: datetime) -> dict[int, SimulatedAir]:
    """The air of boxes by the hour, from the quarter of a day of ``since`` to ``until``, by place id."""
    boxes = _load_cached(dict.fromkeys(places, since), until, state_by=quarter_of(since))
    simulations = _load_simulations(boxes.values(), since, until, openings=True)
    return {s.facts.place.pk: _simulate_air(s, quarter_of(since), until) for s in simulations}


def _simulate_air(simulation: BoxSimulation, since: datetime, until: datetime) -> SimulatedAir:
    hours, room_hours, last = {}, {}, None
    for state in simulation.run(until):
        if state.hour >= since:
            hours[state.hour] = simulation.air(state)
            room_hours[state.hour] = simulation.room_air(state.hour)
        last = state
    return SimulatedAir(simulation.facts, hours, room_hours, last)


def airs_at(places: Iterable[Place], at: datetime) -> dict[int, tuple[float, float, DesiccantCharge]]:
    """(°C, % RH, charge) of the complete boxes whose air is computed at a time, by place id."""
    places = list(places)
    if not places:
        return {}
    prefetch_related_objects(places, "room")
    airs = {}
    for pk, simulated in simulate_airs(places, at, at).items():
        air = simulated.hours.get(hour_of(at.astimezone(UTC)))
        if air is not None and simulated.last is not None:
            airs[pk] = (*air, simulated.last.period.charge)
    return airs


def load_series(spans: Mapping[Place, tuple[datetime, datetime]]) -> dict[int, AirSeries]:
    """The air of boxes for the spools in them, from a time on and before another, by place id.

    Samples that are not stored are computed.
    """
    since = {place: start for place, (start, _) in spans.items()}
    until = max(end for _, end in spans.values())
    boxes = _load_cached(since, until, states=False)
    series = {pk: AirSeries(box.periods, box.samples) for pk, box in boxes.items()}
    short = {}
    for place, (start, end) in spans.items():
        box, stored = boxes[place.pk], {sample.at for sample in boxes[place.pk].samples}
        if any(at not in stored for at in sample_times(box.periods, quarter_of(start), end)):
            short[place] = start
    if short:
        behind = list(_load_cached(short, until).values())
        simulations = _load_simulations(behind, min(since.values()), until)
        for box, simulation in zip(behind, simulations, strict=True):
            samples = {sample.at: sample for sample in box.samples}
            samples |= {sample.at: sample for _, sample in simulation.samples(until)}
            series[box.place.pk] = AirSeries(box.periods, [samples[at] for at in sorted(samples)])
    return series


def _load_cached(
    since: Mapping[Place, datetime],
    until: datetime,
    *,
    states: bool = True,
    state_by: datetime | None = None,
) -> dict[int, CachedBox]:
    """Boxes with what is stored of them from a time on and before ``until``, by place id.

    states: whether to load a state to continue from, the latest one, or the latest by ``state_by``. Three
    queries however many boxes.
    """
    places = {place.pk: place for place in since}
    charges, samples = load_charges(places), _load_samples(since, until)
    newest = _load_states(places, state_by or until) if states else {}
    return {pk: CachedBox(place, charges[pk], samples[pk], newest.get(pk)) for pk, place in places.items()}


def _load_samples(since: Mapping[Place, datetime], until: datetime) -> dict[int, list[AirSample]]:
    """Stored samples by place id, the newest one before ``until`` at least. One query."""
    newest = BoxAir.objects.filter(place=OuterRef("pk"), at__lt=until).order_by("-at").values("pk")[:1]
    places = Place.objects.filter(pk__in=[place.pk for place in since]).annotate(newest=Subquery(newest))
    starts = {place.pk: quarter_of(at) for place, at in since.items()}
    needed = Q(pk__in=places.values("newest"))
    for start, place_ids in group_by_start(starts, until).items():
        needed |= Q(place__in=place_ids, at__gte=start, at__lt=until)
    samples: dict[int, list[AirSample]] = {pk: [] for pk in starts}
    rows = BoxAir.objects.filter(needed).order_by("at")
    for pk, at, *air in rows.values_list("place", *AirSample._fields):
        if samples[pk] and samples[pk][-1].at < starts[pk]:
            samples[pk].clear()
        samples[pk].append(AirSample(at.astimezone(UTC), *air))
    return samples


def _load_states(place_ids: Iterable[int], by: datetime) -> dict[int, BoxState]:
    """The newest state of each box at or before a time, by place id. One query."""
    newest = BoxState.objects.filter(place=OuterRef("pk"), at__lte=by).order_by("-at").values("pk")[:1]
    places = Place.objects.filter(pk__in=list(place_ids)).annotate(newest=Subquery(newest))
    return {row.place_id: row for row in BoxState.objects.filter(pk__in=places.values("newest"))}


def _load_simulations(
    boxes: Iterable[CachedBox], since: datetime, until: datetime, *, openings: bool = False
) -> Iterator[BoxSimulation]:
    """Simulations from the stored states, else from the charges at ``since``, with the readings until a time.

    openings: whether to load those of OPENINGS_OVER with the facts.
    """
    boxes = list(boxes)
    starts = {box.place: None if box.state is None else box.state.at for box in boxes}
    opened_since = until - OPENINGS_OVER if openings else FOREVER
    facts = load_facts(starts, {box.place.pk: box.charges for box in boxes}, opened_since) if boxes else {}
    begins = [facts[b.place.pk].since(since) if b.state is None else b.state.at for b in boxes]
    first: dict[int, datetime] = {}
    for box, begin in zip(boxes, begins, strict=True):
        room = facts[box.place.pk].room.pk
        first[room] = min(first.get(room, begin), begin)
    readings = load_readings(first, until)
    for box, begin in zip(boxes, begins, strict=True):
        box_facts = facts[box.place.pk]
        yield BoxSimulation(box_facts, readings[box_facts.room.pk], box.start, max(since, begin))


@dataclass(frozen=True)
class ComputedBox:
    """Rows of one box that wait to be stored. cache_generation: of the box before its facts were read."""

    place_id: int
    cache_generation: int
    states: list[BoxState]
    airs: list[BoxAir]


def advance(until: datetime | None = None) -> int:
    """Bring the stored air of all boxes up to date. Returns how many states were stored."""
    return store_advance(compute_advance(until or timezone.now()))


def compute_advance(
    until: datetime, place_ids: Collection[int] | None = None, *, from_scratch: bool = False
) -> list[ComputedBox]:
    """The rows that are not stored yet of all boxes, or of these. Stores nothing, needs no transaction.

    from_scratch: from the first charges on, whatever is stored.
    """
    # The places are read before all facts: one that is added meanwhile raises their generations.
    places = [place for place in complete_boxes() if place_ids is None or place.pk in place_ids]
    cached = _load_cached(dict.fromkeys(places, until), until)
    if from_scratch:
        cached = {pk: replace(box, samples=[], state=None) for pk, box in cached.items()}
    behind = [
        # Without a sample the state has no air either.
        box if box.samples else replace(box, state=None)
        for box in cached.values()
        if _is_behind(box, until)
    ]
    # All readings of the last hour: one that is added to it later deletes its sample.
    simulations = _load_simulations(behind, EARLIEST, hour_of(until) + HOUR)
    return [_compute(box, simulation, until) for box, simulation in zip(behind, simulations, strict=True)]


def find_behind(place_ids: Collection[int], until: datetime) -> list[int]:
    """The ids of those of these dry boxes of which samples are missing. Three queries."""
    places = [place for place in complete_boxes() if place.pk in place_ids]
    boxes = _load_cached(dict.fromkeys(places, until), until, states=False)
    return [pk for pk, box in boxes.items() if _is_behind(box, until)]


def _is_behind(box: CachedBox, until: datetime) -> bool:
    since = box.samples[-1].at + HOUR if box.samples else EARLIEST
    return any(sample_times(box.periods, since, until))


def _compute(box: CachedBox, simulation: BoxSimulation, until: datetime) -> ComputedBox:
    place, last = box.place, box.samples[-1].at if box.samples else EARLIEST
    states, airs = [], []
    for state, sample in simulation.samples(until):
        if sample.at <= last:
            continue
        airs.append(BoxAir(place=place, **sample._asdict()))
        if sample.at.hour == 0:
            contents = {pk: values.tolist() for pk, values in state.contents.items()}
            memory = {"water_kg": state.water_kg, "contents": contents}
            states.append(BoxState(place=place, at=sample.at, memory=memory))
    return ComputedBox(place.pk, place.cache_generation, states, airs)


@transaction.atomic
def store_advance(computed: Sequence[ComputedBox]) -> int:
    """Store computed rows, but none of a box about which a fact was added meanwhile."""
    lock_spool_facts()
    if not is_current_version():
        return 0
    rows = Place.objects.filter(pk__in=[box.place_id for box in computed])
    now = dict(rows.values_list("pk", "cache_generation"))
    unchanged = [box for box in computed if now.get(box.place_id) == box.cache_generation]
    states = [state for box in unchanged for state in box.states]
    airs = [air for box in unchanged for air in box.airs]
    # Another worker may have stored the same rows.
    BoxState.objects.bulk_create(states, batch_size=500, ignore_conflicts=True)
    BoxAir.objects.bulk_create(airs, batch_size=1000, ignore_conflicts=True)
    return len(states)


def rebuild() -> list[str]:
    """Compute all stored air again from the facts. Returns the differences in words: there should be none."""
    before = _load_all()
    computed = compute_advance(timezone.now(), from_scratch=True)
    with transaction.atomic():
        BoxBoard.objects.all().delete()
        BoxState.objects.all().delete()
        BoxAir.objects.all().delete()
        store_advance(computed)
    after = _load_all()
    return [
        f"{place}: other air on {at:%Y-%m-%d}."
        for (model, place, at), stored in before.items()
        if after.get((model, place, at), stored) != stored
    ]


def _load_all() -> dict[tuple[type, str, datetime], object]:
    """All stored rows, by kind, place and time."""
    states = BoxState.objects.values_list("place__name", "at", "memory")
    airs = BoxAir.objects.values_list("place__name", "at", "temperature_c", "rh_pct")
    return {(BoxState, place, at): memory for place, at, memory in states} | {
        (BoxAir, place, at): air for place, at, *air in airs
    }
