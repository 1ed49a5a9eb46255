"""What the drying plan of the week is made from: spools, dryers and prints as numbers, by the physics.

How long a drying takes follows from what a spool will hold when it goes in, where it is until then, with the
doubt that all plans allow; how long it is good afterwards from the driest place that is no dryer.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from itertools import groupby

from django.db.models import Max
from django.utils import timezone

from spools.air.climate import Climate, climates_now, heated_rh_pct, room_airs
from spools.air.hourly import BELIEVED_FOR, HOUR, hour_of
from spools.catalogue.values import material_values
from spools.codes import pretty
from spools.drying import heat_budget, softening
from spools.drying.caps import compute_cap, require_below_cap, suggested_set_point_c
from spools.drying.forecast import estimate_dry_times
from spools.drying.gate import FirstStage, open_runs
from spools.drying.options import (
    DRYING_PROBE_HOURS,
    IN_HAND_H,
    LEAST_C,
    LIKELY,
    LONGEST_USUAL_H,
    STEP_K,
    WET_START_H,
)
from spools.drying.runs import default_target_pct
from spools.drying.week.model import (
    PRESSING,
    SLOT_MINUTES,
    Fixed,
    Mode,
    Option,
    Request,
    ScheduledDrying,
    Stock,
    Week,
    fits,
)
from spools.inventory.ledger import Amount, remaining_by_spool
from spools.inventory.queries import with_materials
from spools.models import Place, PlannedDrying, PrintRequest, Reading, Spool
from spools.moisture.state import Moisture, moisture_of
from spools.physics_inputs import DOUBT, SMALL_JOB_G, ConstantAir, Winding, advance_windings, hours_until
from spools.refusals import refusal
from spools.wording import format_time

SLOT = timedelta(minutes=SLOT_MINUTES)
SLOTS_H = 60 // SLOT_MINUTES
# Prints may be wanted so far ahead; plans look on for as long as the longest drying, for what will be late.
LONGEST_AHEAD = timedelta(days=7)
AFTER_LAST_H = 72
# A spool gets wetter until it goes in: the hours are worked out anew for each of these parts of the week.
PARTS_H = (0, 6, 12, 24, 48, 96)
STORAGE_PROBE_HOURS = (1, 2, 4, 8, 12, 24, 36, 48, 72, 96, 120, 168, 240)
# Between two looks a winding takes up more than a straight line says, so it is taken to keep for less.
SURELY = 0.9
# And it counts as good up to a little below the print limit only: near its end it takes up water slowly.
OF_LIMIT = 0.97
# Set points that are tried for a spool in a dryer: its own and some that others there would have.
MOST_SET_POINTS = 4
# What smells of these is dried with its like alone; the rest is not told apart. Common practice, no source.
SMELLS = {"styrene", "methyl methacrylate", "formaldehyde if overheated"}
# A print keeps its spool out of the dryer for so long. Common practice, no source.
PRINTED_G_H = 15.0


@dataclass(frozen=True)
class Detail:
    """How a way is run: its first stage if it has one, and the outermost grams that it is for (all: None)."""

    first: FirstStage | None
    mass_g: float | None


@dataclass(frozen=True)
class StaffedHours:
    """The hours of a day, in the shop's zone, in which somebody puts spools in and takes them out."""

    opens: time
    closes: time

    def at(self, moment: datetime) -> bool:
        """Whether somebody is there."""
        return self.opens <= timezone.localtime(moment).time() <= self.closes


@dataclass
class Problem:
    """A week as numbers, and what the numbers stand for. lacking: why a spool has no way, by spool id."""

    begin: datetime
    week: Week
    spools: dict[int, Spool]
    dryers: dict[int, Place]
    amounts: dict[int, Amount]
    wanted: dict[int, PrintRequest]
    matching: dict[int, list[Spool]]
    details: dict[tuple[int, int, Mode], Detail]
    lacking: dict[int, str]
    notes: list[str]

    def at(self, slot: int) -> datetime:
        """The time of a slot."""
        return self.begin + slot * SLOT


@dataclass
class _Try:
    """One spool in one dryer at one set point; its hours, in all and first, by the slot it goes in."""

    spool: Spool
    dryer: Place
    set_point_c: float
    first_c: float | None = None
    mass_g: float | None = None
    hours: dict[int, float | None] = field(default_factory=dict)
    first_hours: dict[int, float] = field(default_factory=dict)

    @property
    def mode(self) -> Mode:
        if self.first_c is None:
            return Mode(self.set_point_c, smell_of(self.spool))
        # In two stages nobody joins whose stages differ; those of two spools hardly ever agree.
        return Mode(self.set_point_c, smell_of(self.spool), self.spool.pk)


def smell_of(spool: Spool) -> str:
    """What a spool smells of that others must be kept from; empty for most."""
    emission = spool.feedstock.polymer.emission
    return emission if emission in SMELLS else ""


def capacity_of(dryer: Place, running: int) -> int:
    """How many spools it holds: what is told, one where nothing is, and never fewer than dry in it now."""
    return max(dryer.spool_capacity or 1, running)


def next_slot(at: datetime) -> datetime:
    """The quarter of an hour that begins then or next."""
    whole = at.replace(minute=0, second=0, microsecond=0)
    return whole + -(-(at - whole) // SLOT) * SLOT


def matches(spool: Spool, wanted: PrintRequest) -> bool:
    """Whether it is a spool of what is wanted."""
    if wanted.spool_id is not None:
        return spool.pk == wanted.spool_id
    if wanted.feedstock_id is not None:
        return spool.feedstock_id == wanted.feedstock_id
    return spool.feedstock.polymer_id == wanted.polymer_id


def storage() -> tuple[Place, Climate] | None:
    """The driest place that is neither a dryer nor a printer, where dried spools are taken to go."""
    kinds = [Place.Kind.DRYER, Place.Kind.PRINTER]
    places = list(Place.objects.exclude(kind__in=kinds).select_related("room"))
    if not places:
        return None
    air = climates_now(places)
    best = min(places, key=lambda place: (air[place.pk].rh_pct, place.pk))
    return best, air[best.pk]


def build_problem(
    wanted: Sequence[PrintRequest],
    hands: StaffedHours,
    kept: Iterable[PlannedDrying] = (),
    now: datetime | None = None,
) -> Problem:
    """The week from now on, for these prints; ``kept``: dryings that are pinned, in the order of their times.

    The number of queries does not depend on how much there is, but for dryings that are settled and for the
    times at which readings stop counting.
    """
    begin = next_slot(now or timezone.now())
    last = max([begin, *(one.due_at for one in wanted)])
    slots = math.ceil((last - begin) / SLOT) + AFTER_LAST_H * SLOTS_H
    return _ProblemBuilder(begin, slots, wanted, hands).facts(kept)


def alone_at(
    spool: Spool, dryer: Place, start: datetime, set_point_c: float, mass_g: float | None
) -> tuple[FirstStage | None, float]:
    """The first stage, if it needs one, and the hours in all of a drying that starts then.

    Raises ValidationError for a set point above the cap, and where it does not get dry so.
    """
    own = compute_cap(spool, dryer)
    require_below_cap([own], set_point_c)
    winding = moisture_of([spool], start)[spool.pk].winding
    room = room_airs([dryer], start)[dryer.pk]

    def hot(celsius: float, hours: float = 0.0) -> ConstantAir:
        return ConstantAir(hours, celsius, heated_rh_pct(room.temperature_c, room.rh_pct, celsius), True)

    first = None
    if set_point_c > own.start_c:
        first_c = float(math.floor(own.start_c - dryer.set_point_error_c))
        (needed,) = softening.first_stage_hours(
            [(spool, winding, hot(first_c))], [set_point_c + dryer.set_point_error_c]
        )
        if needed is None:
            raise refusal(
                "above_start_cap",
                f"{set_point_c:g} °C is too hot for it while wet: take a lower set point.",
                "set_point_c",
            )
        first = FirstStage(first_c, math.ceil(needed * 4) / 4 + IN_HAND_H)
        (winding,) = advance_windings([(winding, [hot(*first)])])
    target_pct = default_target_pct(spool)
    (hours,) = hours_until(
        [(winding, hot(set_point_c))], [target_pct], mass_g, DRYING_PROBE_HOURS, below=True
    )
    if hours is None:
        say = (
            f"{DRYING_PROBE_HOURS[-1]} h at {set_point_c:g} °C in {dryer} are not enough for "
            f"{target_pct:.2g} %. Take a hotter set point (at most {own.cap_c:g} °C) or another dryer."
        )
        raise refusal("other_set_point", say, "set_point_c")
    return first, (first.hours if first else 0.0) + math.ceil(hours * 4) / 4 + IN_HAND_H


class _ProblemBuilder:
    """The steps of build_problem(), which share much."""

    def __init__(
        self, begin: datetime, slots: int, wanted: Sequence[PrintRequest], hands: StaffedHours
    ) -> None:
        self.begin, self.slots, self.wanted, self.hands = begin, slots, wanted, hands
        self.notes: list[str] = []
        self.details: dict[tuple[int, int, Mode], Detail] = {}
        self.lacking: dict[int, str] = {}
        self.runs = list(open_runs())
        self.dryers = {
            dryer.pk: dryer for dryer in Place.objects.filter(kind=Place.Kind.DRYER).select_related("room")
        }
        every = list(with_materials().filter(emptied_at=None))
        self.matching = {one.pk: [spool for spool in every if matches(spool, one)] for one in wanted}
        self.spools = {spool.pk: spool for found in self.matching.values() for spool in found}
        self.amounts = remaining_by_spool(self.spools.values())
        self.enough = {
            one.pk: [spool for spool in self.matching[one.pk] if self._surely_g(spool) >= one.mass_g]
            for one in wanted
        }
        self.handy = [n for n in range(slots + 1) if hands.at(begin + n * SLOT)]
        self.parts_h = [hours for hours in PARTS_H if hours * SLOTS_H < slots]
        self.bounds = [*(hours * SLOTS_H for hours in self.parts_h), slots]
        self.candidates = {spool.pk: spool for found in self.enough.values() for spool in found}
        # What a spool will hold at the beginning of each part, and at the end of the last one.
        self.states = {bound: self._moisture(self.candidates.values(), bound) for bound in self.bounds}
        # Within a part its hours have their peak where the air changes, so it is looked at then, too.
        self.changes = self._changes()
        for slot in self.changes.keys() - self.states.keys():
            near = [one for one in self.candidates.values() if self.changes[slot] & self._around(one)]
            self.states[slot] = self._moisture(near, slot)
        self.rooms = {slot: room_airs(self.dryers.values(), begin + slot * SLOT) for slot in self.states}
        self.capacity = {pk: self._capacity(dryer) for pk, dryer in self.dryers.items()}
        self.store = storage()

    def _moisture(self, spools: Iterable[Spool], slot: int) -> dict[int, Moisture]:
        return moisture_of(spools, self.begin + slot * SLOT, preloaded=True)

    def _around(self, spool: Spool) -> set[int]:
        """The places whose readings count for it: where it is, and all dryers that it may go to."""
        place = self.states[0][spool.pk].history.current_place
        return {pk for one in (place, *self.dryers.values()) if one for pk in (one.pk, one.room_id) if pk}

    def _changes(self) -> dict[int, set[int]]:
        """The slots around which the last readings stop counting, and of which places.

        What a dryer takes in changes at once, so the slot before counts as well; a spool's air by the hour.
        """
        places = {pk for spool in self.candidates.values() for pk in self._around(spool)}
        since = self.begin - BELIEVED_FOR - HOUR
        recent = Reading.objects.filter(place__in=places, at__gt=since, at__lte=self.begin)
        found: dict[int, set[int]] = {}
        for place_id, last in recent.order_by().values_list("place").annotate(Max("at")):
            in_dryers = -((self.begin - last - BELIEVED_FOR) // SLOT)
            by_hour = -((self.begin - hour_of(last) - HOUR - BELIEVED_FOR) // SLOT)
            for slot in (in_dryers - 1, in_dryers, by_hour):
                if 0 < slot < self.slots:
                    found.setdefault(slot, set()).add(place_id)
        return found

    def _surely_g(self, spool: Spool) -> float:
        return math.floor(self.amounts[spool.pk].low_g)

    def _prints_of(self, spool: Spool) -> list[PrintRequest]:
        return [one for one in self.wanted if spool in self.enough[one.pk]]

    def _masses_g(self, spool: Spool) -> list[float]:
        """The outermost turns that are looked at: those of the smallest print and of the largest."""
        wanted_g = [one.mass_g for one in self._prints_of(spool)] or [SMALL_JOB_G]
        return sorted({min(SMALL_JOB_G, *wanted_g), max(wanted_g)})

    def facts(self, kept: Iterable[PlannedDrying]) -> Problem:
        """All of it."""
        settled = self._settled(kept)
        good = {spool.pk: self._good_until(spool) for spool in self.candidates.values()}
        due = {one.pk: self._slot(one.due_at) for one in self.wanted}
        wet = [
            spool
            for pk, spool in self.candidates.items()
            if pk not in settled and good[pk] < max(due[one.pk] for one in self._prints_of(spool))
        ]
        ways = self._ways(wet)
        stock = [
            Stock(
                pk,
                int(self._surely_g(spool)),
                -1 if self._drying_now(pk) else good[pk],
                tuple(ways.get(pk, [])),
                settled.pop(pk, None),
            )
            for pk, spool in sorted(self.candidates.items())
        ]
        # What dries and is not wanted takes its room all the same.
        stock += [Stock(pk, 0, -1, (), fixed) for pk, fixed in sorted(settled.items())]
        wanted = tuple(
            Request(
                one.pk,
                tuple(spool.pk for spool in self.enough[one.pk]),
                math.ceil(one.mass_g),
                due[one.pk],
                PRESSING if one.pressing else 1,
                math.ceil(one.mass_g / PRINTED_G_H * SLOTS_H),
            )
            for one in self.wanted
        )
        week = Week(
            self.slots, tuple(self.bounds[:-1]), _stretches(self.handy), self.capacity, tuple(stock), wanted
        )
        return Problem(
            self.begin,
            week,
            self.spools,
            self.dryers,
            self.amounts,
            {one.pk: one for one in self.wanted},
            self.matching,
            self.details,
            self.lacking,
            self.notes,
        )

    def _slot(self, at: datetime) -> int:
        """The last slot that does not begin after a time; what is overdue counts as due at once."""
        return max(0, (at - self.begin) // SLOT)

    def _capacity(self, dryer: Place) -> int:
        running = sum(run.dryer_id == dryer.pk for run in self.runs)
        if dryer.spool_capacity is None and running <= 1:
            self.notes.append(
                f"How many spools fit into {dryer} is not told: one at a time is planned. Tell it on the "
                "place's page."
            )
        return capacity_of(dryer, running)

    def _drying_now(self, pk: int) -> bool:
        return any(run.spool_id == pk for run in self.runs)

    # What is settled

    def _settled(self, kept: Iterable[PlannedDrying]) -> dict[int, Fixed]:
        """Runs that go on, and the pinned dryings that can still be, by spool id."""
        found = self._running()
        placed = [ScheduledDrying(pk, one.dryer, one.mode, one.start, one.end) for pk, one in found.items()]
        room = Week(
            self.slots,
            (0,),
            (),
            self.capacity,
            (),
            (),
        )
        for one in kept:
            who = f"The pinned drying of {pretty(one.spool.code)} in {one.dryer}"
            start, end = ((at - self.begin) // SLOT for at in (one.start, one.end))
            mode = Mode(one.set_point_c, smell_of(one.spool), one.spool_id if one.first_hours else None)
            new = ScheduledDrying(one.spool_id, one.dryer_id, mode, start, end)
            if one.spool_id in found or one.spool.emptied_at is not None:
                self.notes.append(f"{who} is left out: the spool is drying already, or empty.")
            elif start < 0:
                self.notes.append(f"{who} is left out: it should have begun by now.")
            elif one.dryer_id not in self.dryers or not fits(room, new, placed):
                self.notes.append(f"{who} is left out: the dryer is taken then.")
            else:
                placed.append(new)
                self.slots = max(self.slots, end)
                found[one.spool_id] = self._pinned(one, new)
                self.details[one.spool_id, one.dryer_id, mode] = Detail(
                    FirstStage(one.first_set_point_c, one.first_hours)
                    if one.first_set_point_c is not None and one.first_hours is not None
                    else None,
                    one.mass_g,
                )
        return found

    def _running(self) -> dict[int, Fixed]:
        if not self.runs:
            return {}
        states = moisture_of([run.spool for run in self.runs], self.begin)
        drying = [(run, states[run.spool_id].winding) for run in self.runs]
        dry_at = estimate_dry_times(drying, self.begin, self.rooms[0])
        found = {}
        for (run, winding), dry in zip(drying, dry_at, strict=True):
            done = max(run.planned_end, dry or self.begin, self.begin)
            end = self._next_handy(-((self.begin - done) // SLOT))
            if dry is None:
                self.notes.append(
                    f"{pretty(run.spool.code)} in {run.dryer} likely does not get dry so: not counted on."
                )
            elif dry > run.planned_end:
                self.notes.append(
                    f"Leave {pretty(run.spool.code)} in {run.dryer} until {format_time(dry)}: then likely dry."
                )
            changes = run.change_at is not None and run.change_at > self.begin
            air = self._air(0, run.dryer, run.set_point_c, end / SLOTS_H)
            had = run.stages_until(self.begin)
            found[run.spool_id] = Fixed(
                run.dryer_id,
                Mode(run.set_point_c, smell_of(run.spool), run.spool_id if changes else None),
                0,
                end,
                max(end, min(self.slots, self._most(run.spool, run.set_point_c, had, states[run.spool_id]))),
                None if dry is None else self._keeps(run.spool, advance_windings([(winding, [air])])[0]),
            )
        return found

    def _pinned(self, one: PlannedDrying, placed: ScheduledDrying) -> Fixed:
        state = moisture_of([one.spool], one.start)[one.spool_id]
        airs = [self._air(0, one.dryer, celsius, hours) for celsius, hours in one.stages]
        (dried,) = advance_windings([(state.winding, airs)])
        good = (dried.outer_pct(one.mass_g) > one.target_pct).mean() <= DOUBT
        return Fixed(
            one.dryer_id,
            placed.mode,
            placed.start,
            placed.end,
            placed.end,
            self._keeps(one.spool, dried) if good else None,
        )

    def _next_handy(self, slot: int) -> int:
        return next((n for n in self.handy if n >= slot), slot)

    # How long things take

    def _air(self, bound: int, dryer: Place, celsius: float, hours: float = 0.0) -> ConstantAir:
        room = self.rooms[bound][dryer.pk]
        return ConstantAir(hours, celsius, heated_rh_pct(room.temperature_c, room.rh_pct, celsius), True)

    def _good_until(self, spool: Spool) -> int:
        """The last slot in which a spool is good where it is; -1 when it is not good now."""
        limit_pct = OF_LIMIT * material_values(spool.feedstock).limit_hold_pct
        masses_g = self._masses_g(spool)

        def good(slot: int) -> bool:
            state = self.states[slot][spool.pk]
            return all(state.probability_over(limit_pct, mass_g) <= DOUBT for mass_g in masses_g)

        looks = [slot for slot, states in sorted(self.states.items()) if spool.pk in states]
        known = [good(slot) for slot in looks]
        if all(known):
            return self.slots
        first_bad = known.index(False)
        if first_bad == 0:
            return -1
        bound, following = looks[first_bad - 1 : first_bad + 1]
        state = self.states[bound][spool.pk]
        there = state.history.segment_at(state.at)
        if there is None:
            return bound
        air = ConstantAir(0.0, there.air.temperature_c, there.air.rh_pct, there.moving_air)
        return min(following - 1, bound + self._good_for(spool, state.winding, air))

    def _good_for(self, spool: Spool, winding: Winding, air: ConstantAir) -> int:
        """Slots that it surely stays good in an air; all that are planned when it is longer.

        One less, for what is due between two slots.
        """
        limit_pct = OF_LIMIT * material_values(spool.feedstock).limit_hold_pct
        hours = [
            hours_until([(winding, air)], [limit_pct], mass_g, STORAGE_PROBE_HOURS, below=False)[0]
            for mass_g in self._masses_g(spool)
        ]
        known = [one for one in hours if one is not None]
        return max(0, math.floor(SURELY * min(known) * SLOTS_H) - 1) if known else self.slots

    def _keeps(self, spool: Spool, dried: Winding) -> int:
        if self.store is None:
            return 0
        place, climate = self.store
        air = ConstantAir(0.0, climate.temperature_c, climate.rh_pct, place.moved_air)
        return self._good_for(spool, dried, air)

    def _most(self, spool: Spool, set_point_c: float, had: list[heat_budget.Stage], state: Moisture) -> int:
        """Slots at a set point until the heat budget is used up, after the stages of this run so far."""
        an_hour = heat_budget.run_share(spool, [(set_point_c, 1.0)])
        if an_hour is None:
            return self.slots
        before = heat_budget.compute_heat(spool, state.history.runs, self.begin).life_share or 0.0
        of_life = heat_budget.life_share(spool, [(set_point_c, 1.0)]) or 1.0
        hours = min(
            (heat_budget.ALL - (heat_budget.run_share(spool, had) or 0.0)) / an_hour,
            (heat_budget.ALL - before) / of_life,
        )
        return max(0, math.floor(hours * SLOTS_H))

    def _ways(self, wet: Sequence[Spool]) -> dict[int, list[Option]]:
        """For each spool what suffices, by dryer and set point."""
        tries = [one for dryer in self.dryers.values() for one in self._tries(dryer, wet)]
        first, last = self.bounds[0], self.bounds[-1]
        self._find_hours(tries, first)
        # Where all of it takes too long, the turns that may be wanted have to do.
        slow = [one for one in tries if (hours := one.hours[first]) is None or hours > LONGEST_USUAL_H]
        for one in slow:
            wanted_g = sum(wanted.mass_g for wanted in self._prints_of(one.spool))
            if wanted_g < self._surely_g(one.spool):
                one.mass_g = wanted_g
        self._find_hours([one for one in slow if one.mass_g is not None], first)
        self._find_hours(tries, last)
        for slot, places in self.changes.items():
            self._find_hours([one for one in tries if places & self._around(one.spool)], slot)
        changing = [one for one in tries if len({*one.hours.values()}) > 1]
        for bound in self.bounds[1:-1]:
            self._find_hours([one for one in changing if bound not in one.hours], bound)
        found: dict[int, list[Option]] = {}
        for spool, of_spool in groupby(sorted(tries, key=lambda one: one.spool.pk), lambda one: one.spool):
            own = list(of_spool)
            found[spool.pk] = [way for one in own if (way := self._way(one)) is not None]
            if not found[spool.pk]:
                self.lacking[spool.pk] = self._why_none(spool, own)
        for spool in wet:
            if spool.pk not in found:
                self.lacking[spool.pk] = "there is no dryer that may be set as cool as it needs"
        return found

    def _tries(self, dryer: Place, wet: Sequence[Spool]) -> list[_Try]:
        """Each spool at its own set points, and at those of others that it may have too."""
        error_k = dryer.set_point_error_c
        caps = {spool.pk: compute_cap(spool, dryer) for spool in wet}
        limits = {pk: math.floor(own.start_c - error_k) for pk, own in caps.items()}
        points = {
            celsius
            for spool in wet
            for celsius in (suggested_set_point_c(spool, dryer), float(limits[spool.pk]))
        }
        now = {run.set_point_c for run in self.runs if run.dryer_id == dryer.pk}
        tries = []
        for spool in wet:
            own, least = caps[spool.pk], suggested_set_point_c(spool, dryer) - 4 * STEP_K
            may = sorted((c for c in points if LEAST_C <= c <= limits[spool.pk] and c >= least), reverse=True)
            also = {celsius for celsius in now if celsius <= own.start_c} - {*may}
            tries += [_Try(spool, dryer, celsius) for celsius in [*may[:MOST_SET_POINTS], *sorted(also)]]
            hottest_c = math.floor(own.cap_c - error_k)
            first_c = float(limits[spool.pk])
            if own.two_stages and hottest_c > first_c:
                hotter = [*range(limits[spool.pk] + STEP_K, hottest_c, STEP_K), hottest_c]
                tries += [_Try(spool, dryer, float(celsius), first_c) for celsius in hotter]
        return tries

    def _find_hours(self, tries: Sequence[_Try], bound: int) -> None:
        """The hours of each try that starts then; a dryer of the same room and set point takes as long."""
        alike: dict[tuple, list[_Try]] = {}
        for one in tries:
            air = self._air(bound, one.dryer, one.set_point_c)
            key = (
                one.spool.pk,
                air,
                one.first_c,
                one.mass_g,
                one.dryer.set_point_error_c if one.first_c else 0,
            )
            alike.setdefault(key, []).append(one)
        asked = [group[0] for group in alike.values()]
        started = self._after_first_stages(asked, bound)
        for mass_of, rows in groupby(
            sorted(range(len(asked)), key=lambda n: asked[n].mass_g or 0.0), lambda n: asked[n].mass_g
        ):
            numbers = list(rows)
            found = hours_until(
                [(started[n], self._air(bound, asked[n].dryer, asked[n].set_point_c)) for n in numbers],
                [default_target_pct(asked[n].spool) for n in numbers],
                mass_of,
                DRYING_PROBE_HOURS,
                below=True,
            )
            for n, hours in zip(numbers, found, strict=True):
                self._keep_hours(list(alike.values())[n], bound, hours)

    def _after_first_stages(self, tries: Sequence[_Try], bound: int) -> list[Winding]:
        """The windings when their first stages are over, where they have one."""
        states = self.states[bound]
        soft = [one for one in tries if one.first_c is not None]
        found = softening.first_stage_hours(
            [
                (one.spool, states[one.spool.pk].winding, self._air(bound, one.dryer, one.first_c or 0.0))
                for one in soft
            ],
            [one.set_point_c + one.dryer.set_point_error_c for one in soft],
        )
        for one, hours in zip(soft, found, strict=True):
            # What never stands it has no second stage.
            one.first_hours[bound] = math.inf if hours is None else math.ceil(hours * 4) / 4 + IN_HAND_H
        lanes = []
        for one in tries:
            first_h = one.first_hours.get(bound, math.inf)
            firsts = [] if math.isinf(first_h) else [self._air(bound, one.dryer, one.first_c or 0.0, first_h)]
            lanes.append((states[one.spool.pk].winding, firsts))
        return advance_windings(lanes)

    def _keep_hours(self, alike: Sequence[_Try], bound: int, hours: float | None) -> None:
        first = alike[0]
        first_h = first.first_hours.setdefault(bound, 0.0)
        if hours is not None and math.isfinite(first_h):
            state = self.states[bound][first.spool.pk]
            amorphous = first.spool.feedstock.polymer.kind.startswith("amorphous")
            wet = (
                state.probability_over(material_values(first.spool.feedstock).limit_hold_pct, first.mass_g)
                > LIKELY
            )
            # Its start may be cooler for two hours, as its plan will advise.
            cooler_h = WET_START_H if amorphous and wet and first.first_c is None else 0.0
            hours = first_h + math.ceil(hours * 4) / 4 + IN_HAND_H + cooler_h
        for one in alike:
            one.first_hours[bound] = first_h
            one.hours[bound] = hours if math.isfinite(first_h) else None

    def _way(self, one: _Try) -> Option | None:
        """The way for the solver; None where it never suffices or is too much heat."""
        known = [bound for bound, hours in one.hours.items() if hours is not None]
        first_h = max((one.first_hours[bound] for bound in known), default=0.0)
        rest_h = {bound: (one.hours[bound] or 0.0) - one.first_hours[bound] for bound in known}
        takes: list[int | None] = []
        for begin, end in zip(self.bounds, self.bounds[1:], strict=False):
            # Where it never changes it was not looked at within.
            at = [slot for slot in one.hours if begin <= slot <= end] or [self.bounds[0]]
            sure = all(slot in rest_h for slot in at)
            takes.append(math.ceil((first_h + max(rest_h[slot] for slot in at)) * SLOTS_H) if sure else None)
        possible = [each for each in takes if each is not None]
        most = self._most(one.spool, one.set_point_c, [], self.states[0][one.spool.pk])
        if not possible or min(possible) > most:
            return None
        first = None if one.first_c is None else FirstStage(one.first_c, first_h)
        self.details[one.spool.pk, one.dryer.pk, one.mode] = Detail(first, one.mass_g)
        keeps = self._keeps_after(one)
        return Option(one.dryer.pk, one.mode, tuple(takes), most, keeps)

    def _keeps_after(self, one: _Try) -> int:
        """Slots that it is good after the shortest or the longest of its dryings, whichever is less."""
        by_hours = {hours: bound for bound, hours in one.hours.items() if hours is not None}
        lanes = []
        for hours in sorted({min(by_hours), max(by_hours)}):
            bound = by_hours[hours]
            first_h = one.first_hours[bound]
            airs = [self._air(bound, one.dryer, one.set_point_c, hours - first_h)]
            if one.first_c is not None:
                airs.insert(0, self._air(bound, one.dryer, one.first_c, first_h))
            lanes.append((self.states[bound][one.spool.pk].winding, airs))
        return min(self._keeps(one.spool, dried) for dried in advance_windings(lanes))

    def _why_none(self, spool: Spool, tries: Sequence[_Try]) -> str:
        """Why no drying makes a spool good."""
        hottest = max(tries, key=lambda one: one.set_point_c)
        how = f"{hottest.set_point_c:g} °C in {hottest.dryer}"
        sufficing = any(hours is not None for one in tries for hours in one.hours.values())
        if sufficing and heat_budget.is_polyamide(spool.feedstock.polymer):
            return f"it would be more heat than a polyamide may have, as at {how}"
        return (
            f"no dryer surely reaches {default_target_pct(spool):.2g} %: {DRYING_PROBE_HOURS[-1]} h at "
            f"{how} are not enough, and it may be no hotter ({compute_cap(spool, hottest.dryer).reason}, and the "
            f"dryer may be {hottest.dryer.set_point_error_c:g} K off)"
        )


def _stretches(slots: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Slots that follow one another, as (first, last)."""
    found: list[tuple[int, int]] = []
    for n in slots:
        if found and found[-1][1] == n - 1:
            found[-1] = (found[-1][0], n)
        else:
            found.append((n, n))
    return tuple(found)
