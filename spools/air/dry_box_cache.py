"""The computed air of dry boxes: stored where it is, simulated where that does not reach.

Stored is the air at the sample times, which the spools in the boxes take, and with that of each UTC midnight the
state to continue from. So neither a sweep nor a page loads the spools of a box and their lives. What is stored is
valid: whoever changes a fact or an assumption deletes what rests on it (spools/invalidation.py).
"""

from bisect import bisect_right
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from django.db import transaction
from django.db.models import Max, OuterRef, Q, Subquery, prefetch_related_objects
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
    BoxSimulation,
    HourState,
    quarter_of,
    sample_times,
)
from spools.air.hourly import FOREVER, HOUR, group_by_start, hour_of, load_readings
from spools.checks import EARLIEST, lock_spool_facts
from spools.invalidation import is_current_version
from spools.models import BoxAir, BoxBoard, DesiccantCharge, Place

# How far back openings are counted for a forecast.
OPENINGS_OVER = timedelta(days=14)


@dataclass(frozen=True)
class AirSeries:
    """The air of one box for the spools in it, (°C, % RH) by sample time, without a gap."""

    periods: list[ChargePeriod]
    samples: dict[datetime, tuple[float, float]]

    def at(self, moment: datetime) -> tuple[tuple[float, float] | None, datetime]:
        """(°C, % RH) for the spools in it, None where none is computed, and until when that holds.

        Taken every sixth hour and when a charge starts: a box changes slowly, and a winding takes days to
        follow.
        """
        quarter = quarter_of(moment)
        firsts = [period.first for period in self.periods]
        n = bisect_right(firsts, moment)
        begin = max([quarter, *firsts[:n][-1:]])
        return self.samples.get(begin), min([quarter + QUARTER, *firsts[n:][:1]])

    def charge_at(self, moment: datetime) -> DesiccantCharge | None:
        """The desiccant in it at a time; None without any."""
        charges = [period.charge for period in self.periods if period.first <= moment < period.end]
        return next((charge for charge in charges if charge.dry_mass_g), None)

    def before(self, until: datetime) -> "AirSeries":
        """The same without the samples from a time on."""
        return AirSeries(self.periods, {at: air for at, air in self.samples.items() if at < until})


@dataclass(frozen=True)
class SimulatedAir:
    """The computed air of one box by hour, (°C, % RH, % RH of its room), and its last state."""

    facts: BoxFacts
    hours: dict[datetime, tuple[float, float, float]]
    last: HourState | None


def simulate_airs(
    places: Iterable[Place], since: datetime, until: datetime, *, openings: bool = True
) -> dict[int, SimulatedAir]:
    """The air of boxes by the hour, from the quarter of a day of ``since`` to ``until``, by place id.

    openings: whether the facts that come with it have those of OPENINGS_OVER.
    """
    boxes, begin = {place.pk: place for place in places}, quarter_of(since)
    charges, states = load_charges(boxes), _load_states(boxes, begin)
    simulations = _load_simulations(boxes.values(), charges, states, since, until, openings=openings)
    return {pk: _simulate_air(simulation, begin, until) for pk, simulation in simulations.items()}


def _simulate_air(simulation: BoxSimulation, since: datetime, until: datetime) -> SimulatedAir:
    hours, last = {}, None
    for state in simulation.run(until):
        if state.hour >= since:
            hours[state.hour] = *simulation.air(state), simulation.room_air(state.hour)[1]
        last = state
    return SimulatedAir(simulation.facts, hours, last)


def charges_at(places: Iterable[Place], at: datetime) -> dict[int, DesiccantCharge]:
    """The desiccant that counts in dry boxes at a time, by place id; none of boxes without any. One query."""
    return {
        pk: period.charge
        for pk, charges in load_charges(place.pk for place in places).items()
        for period in periods_of(charges)
        if period.first <= at < period.end and period.charge.dry_mass_g
    }


def airs_at(places: Iterable[Place], at: datetime) -> dict[int, tuple[float, float, DesiccantCharge]]:
    """(°C, % RH, charge) of the complete boxes whose air is computed at a time, by place id."""
    places = list(places)
    if not places:
        return {}
    prefetch_related_objects(places, "room")
    hour, airs = hour_of(at.astimezone(UTC)), {}
    for pk, simulated in simulate_airs(places, at, at, openings=False).items():
        if hour in simulated.hours and simulated.last is not None:
            temperature_c, rh_pct, _ = simulated.hours[hour]
            airs[pk] = temperature_c, rh_pct, simulated.last.period.charge
    return airs


def load_series(spans: Mapping[Place, tuple[datetime, datetime]]) -> dict[int, AirSeries]:
    """The air of boxes for the spools in them, from a time on and before another, by place id.

    Samples that are not stored are computed.
    """
    since = {place: quarter_of(start) for place, (start, _) in spans.items()}
    until = max(end for _, end in spans.values())
    charges, samples = load_charges(place.pk for place in spans), _load_samples(since, until)
    periods = {pk: periods_of(of_box) for pk, of_box in charges.items()}
    short = [
        place
        for place, (_, end) in spans.items()
        if not samples[place.pk].keys() >= set(sample_times(periods[place.pk], since[place], end))
    ]
    if short:
        states = _load_states([place.pk for place in short], until)
        simulations = _load_simulations(short, charges, states, min(since.values()), until)
        for pk, simulation in simulations.items():
            samples[pk] |= {state.hour: simulation.air(state) for state in simulation.samples(until)}
    return {pk: AirSeries(periods[pk], samples[pk]) for pk in periods}


def _load_samples(
    since: Mapping[Place, datetime], until: datetime
) -> dict[int, dict[datetime, tuple[float, float]]]:
    """The stored samples from a time on and before another, by place id and time. One query."""
    starts = {place.pk: at for place, at in since.items()}
    needed = Q(pk__in=[])
    for start, place_ids in group_by_start(starts, until).items():
        needed |= Q(place__in=place_ids, at__gte=start, at__lt=until)
    samples: dict[int, dict[datetime, tuple[float, float]]] = {pk: {} for pk in starts}
    rows = BoxAir.objects.filter(needed).values_list("place", "at", "temperature_c", "rh_pct")
    for pk, at, temperature_c, rh_pct in rows:
        if at >= starts[pk]:
            samples[pk][at.astimezone(UTC)] = temperature_c, rh_pct
    return samples


def _load_last_times(place_ids: Iterable[int], until: datetime) -> dict[int, datetime]:
    """The time of the newest sample of each box before another, by place id. One query."""
    rows = BoxAir.objects.filter(place__in=list(place_ids), at__lt=until).order_by()
    return dict(rows.values_list("place").annotate(Max("at")))


def _load_states(place_ids: Iterable[int], by: datetime) -> dict[int, BoxAir]:
    """The newest sample with a state of each box at or before a time, by place id. One query."""
    states = BoxAir.objects.filter(place=OuterRef("pk"), at__lte=by, state__isnull=False)
    newest = states.order_by("-at").values("pk")[:1]
    places = Place.objects.filter(pk__in=list(place_ids)).annotate(newest=Subquery(newest))
    return {row.place_id: row for row in BoxAir.objects.filter(pk__in=places.values("newest"))}


def _load_simulations(
    places: Iterable[Place],
    charges: Mapping[int, list[DesiccantCharge]],
    states: Mapping[int, BoxAir],
    since: datetime,
    until: datetime,
    *,
    openings: bool = False,
) -> dict[int, BoxSimulation]:
    """Simulations by place id: from the stored states, else from the charges at ``since``, with readings until a time.

    openings: whether to load those of OPENINGS_OVER with the facts.
    """
    starts = {place: states[place.pk].at if place.pk in states else None for place in places}
    facts = load_facts(starts, charges, until - OPENINGS_OVER if openings else FOREVER)
    begins = {place.pk: at or facts[place.pk].since(since) for place, at in starts.items()}
    first: dict[int, datetime] = {}
    for pk, begin in begins.items():
        room = facts[pk].room.pk
        first[room] = min(first.get(room, begin), begin)
    readings = load_readings(first, until)
    return {
        pk: BoxSimulation(box, readings[box.room.pk], _state(box, states.get(pk)), max(since, begins[pk]))
        for pk, box in facts.items()
    }


def _state(box: BoxFacts, row: BoxAir | None) -> HourState | None:
    """The box as it is continued from; None: from a charge."""
    if row is None or row.state is None:
        return None
    hour = row.at.astimezone(UTC)
    period = next(p for p in reversed(box.periods) if p.first <= hour)
    contents = {int(pk): values for pk, values in row.state["contents"].items()}
    held = np.concatenate([np.zeros(0), *contents.values()])
    return HourState(hour, period, row.state["water_kg"], tuple(contents), held)


@dataclass(frozen=True)
class ComputedBox:
    """Rows of one box that wait to be stored. cache_generation: of the box before its facts were read."""

    place_id: int
    cache_generation: int
    airs: list[BoxAir]


def advance(until: datetime | None = None) -> int:
    """Bring the stored air of all boxes up to date. Returns how many samples were stored."""
    return store_advance(compute_advance(until or timezone.now()))


def compute_advance(
    until: datetime, place_ids: Collection[int] | None = None, *, from_scratch: bool = False
) -> list[ComputedBox]:
    """The rows that are not stored yet of all boxes, or of these. Stores nothing, needs no transaction.

    from_scratch: from the first charges on, whatever is stored.
    """
    # The places are read before all facts: one that is added meanwhile raises their generations.
    boxes = {place.pk: place for place in complete_boxes() if place_ids is None or place.pk in place_ids}
    charges, last = load_charges(boxes), {} if from_scratch else _load_last_times(boxes, until)
    behind = [place for pk, place in boxes.items() if _is_behind(charges[pk], last.get(pk), until)]
    states = _load_states([place.pk for place in behind if place.pk in last], until)
    # All readings of the last hour: one that is added to it later deletes its sample.
    simulations = _load_simulations(behind, charges, states, EARLIEST, hour_of(until) + HOUR)
    return [_compute(boxes[pk], it, last.get(pk), until) for pk, it in simulations.items()]


def find_behind(place_ids: Collection[int], until: datetime) -> list[int]:
    """The ids of those of these dry boxes of which samples are missing. Three queries."""
    boxes = [place.pk for place in complete_boxes() if place.pk in place_ids]
    charges, last = load_charges(boxes), _load_last_times(boxes, until)
    return [pk for pk in boxes if _is_behind(charges[pk], last.get(pk), until)]


def _is_behind(charges: Sequence[DesiccantCharge], last: datetime | None, until: datetime) -> bool:
    since = EARLIEST if last is None else last + HOUR
    return any(sample_times(periods_of(charges), since, until))


def _compute(place: Place, simulation: BoxSimulation, last: datetime | None, until: datetime) -> ComputedBox:
    airs = []
    for state in simulation.samples(until):
        if last is None or state.hour > last:
            temperature_c, rh_pct = simulation.air(state)
            airs.append(BoxAir(place=place, at=state.hour, temperature_c=temperature_c, rh_pct=rh_pct))
            if state.hour.hour == 0:
                contents = {pk: values.tolist() for pk, values in state.contents.items()}
                airs[-1].state = {"water_kg": state.water_kg, "contents": contents}
    return ComputedBox(place.pk, place.cache_generation, airs)


@transaction.atomic
def store_advance(computed: Sequence[ComputedBox]) -> int:
    """Store computed rows, but none of a box about which a fact was added meanwhile. Returns how many."""
    lock_spool_facts()
    if not is_current_version():
        return 0
    rows = Place.objects.filter(pk__in=[box.place_id for box in computed])
    now = dict(rows.values_list("pk", "cache_generation"))
    unchanged = [box for box in computed if now.get(box.place_id) == box.cache_generation]
    airs = [air for box in unchanged for air in box.airs]
    # Another worker may have stored the same rows.
    BoxAir.objects.bulk_create(airs, batch_size=500, ignore_conflicts=True)
    return len(airs)


def rebuild() -> list[str]:
    """Compute all stored air again from the facts. Returns the differences in words: there should be none."""
    before = _load_all()
    computed = compute_advance(timezone.now(), from_scratch=True)
    with transaction.atomic():
        BoxBoard.objects.all().delete()
        BoxAir.objects.all().delete()
        store_advance(computed)
    after = _load_all()
    return [
        f"{place}: other air on {at:%Y-%m-%d}."
        for (place, at), air in before.items()
        if after.get((place, at), air) != air
    ]


def _load_all() -> dict[tuple[str, datetime], list[object]]:
    """All stored rows, by place and time."""
    rows = BoxAir.objects.values_list("place__name", "at", "temperature_c", "rh_pct", "state")
    return {(place, at): air for place, at, *air in rows}
