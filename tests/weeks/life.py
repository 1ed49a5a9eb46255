"""The life of a shop, hour by hour: prints, run-outs, failures, late entries, slips and their corrections.

Beside the service it does its own bookkeeping in plain numbers (Books), which tests/weeks/checks.py compares.
"""

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

from rest_framework.test import APIClient

from maintenance.models import Toolhead, WearEntry
from spools.inventory.ledger import remaining
from spools.models import Place, Spool
from spools.moisture import cache
from spools.moisture.state import moisture_now
from tests.weeks.opening import LOCAL_G, Opened

V1 = "/api/v1/"
HOUR = timedelta(hours=1)
WORKING = range(7, 22)
# Water of PLA in a room, shares of its mass.
WATER = (0.002, 0.004)
# How a print ends, and in how many of a hundred.
ENDS = {"finished": 86, "failed": 8, "stopped": 6}


@dataclass
class Running:
    """A print on a toolhead. late: nobody recorded it yet."""

    start: datetime
    hours: float
    mass_g: float
    spool: Spool
    name: str
    job: int | None = None


@dataclass
class Books:
    """What the service has to agree with. printed_g: by spool; prints: starts and hours by toolhead; served: the last
    time by toolhead and kind of service; acts: how often each was done."""

    printed_g: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    prints: dict[int, list[tuple[datetime, float]]] = field(default_factory=lambda: defaultdict(list))
    served: dict[tuple[int, int], datetime] = field(default_factory=dict)
    acts: Counter = field(default_factory=Counter)
    refused: Counter = field(default_factory=Counter)


class Life:
    """One person in a room of the shop, with its toolheads and spools."""

    def __init__(self, opened: Opened, seed: int) -> None:
        self.opened, self.random = opened, Random(seed)
        self.toolheads, self.spools = opened.toolheads, opened.spools
        self.books = Books()
        self.running: dict[int, Running] = {}
        self.loaded: dict[int, Spool] = {}
        self.drying: dict[str, tuple[int, datetime]] = {}
        self.empty: set[str] = set()
        # When each spool came to where it lies: it cannot be anywhere else at that time or before.
        self.came: dict[str, datetime] = {}
        self.client = APIClient()
        self.client.force_authenticate(opened.user)
        self.number = 0

    # Calls.

    def post(self, path: str, **body: Any) -> Any:
        """The answer of an act that has to be accepted."""
        answer = self.client.post(V1 + path, body, format="json")
        assert answer.status_code in (200, 201), (path, body, answer.status_code, answer.content[:500])
        return answer.json()

    def may(self, path: str, **body: Any) -> Any:
        """The answer of an act that the shop's state may refuse; None then. Never an error of the server."""
        answer = self.client.post(V1 + path, body, format="json")
        if answer.status_code in (400, 409):
            self.books.refused[answer.json()["errors"][0]["code"]] += 1
            return None
        assert answer.status_code in (200, 201), (path, body, answer.status_code, answer.content[:500])
        return answer.json()

    # An hour.

    def live_hour(self, now: datetime, *, local_hour: int) -> None:
        for toolhead in self.toolheads:
            running = self.running.get(toolhead.pk)
            if running is not None and now >= running.start + running.hours * HOUR:
                self._end(toolhead, running, now)
            elif running is None and local_hour in WORKING and self.random.random() < 0.35:
                self._begin(toolhead, now)
        for code, (run, end) in list(self.drying.items()):
            if now >= end and local_hour in WORKING:
                self.post(f"drying-runs/{run}/finish", place=self.opened.box.pk)
                del self.drying[code]
                self.came[code] = now
                self.books.acts["dried"] += 1
        if local_hour == 9:
            self._live_day(now)

    def _live_day(self, now: datetime) -> None:
        for act in self.random.sample([self._weigh, self._slip_weighing, self._slip_job, self._dry], 2):
            act(now)
        for act, share in (
            (self._slip_ending, 0.2),
            (self._slip_move, 0.3),
            (self._replace, 0.15),
            (self._serve, 0.3),
        ):
            if self.random.random() < share:
                act(now)

    # Prints.

    def _begin(self, toolhead: Toolhead, now: datetime) -> None:
        spool = self.loaded.get(toolhead.pk)
        if spool is None or self._left(spool) < 15 or self.random.random() < 0.15:
            spool = self._load(toolhead, now)
        if spool is None:
            return
        left_g = self._left(spool)
        # Some prints take more than is left: the spool runs out.
        mass_g = round(self.random.uniform(5, min(220.0, left_g * 1.15)), 2)
        hours = round(self.random.uniform(0.5, 14), 2)
        self.number += 1
        running = Running(now, hours, mass_g, spool, f"part {toolhead.pk}-{self.number}")
        way = self.random.random()
        if way < 0.2 and mass_g < left_g:
            self.books.acts["late"] += 1
        elif way < 0.45:
            job = self._record(toolhead, running, stage="planned")
            running.job = job["id"]
            self.post(f"jobs/{running.job}/start", at=now.isoformat())
            self.books.acts["planned"] += 1
        else:
            running.job = self._record(toolhead, running, stage="printing", start=now.isoformat())["id"]
            self.books.acts["started"] += 1
        self.running[toolhead.pk] = running

    def _record(self, toolhead: Toolhead, running: Running, **more: Any) -> Any:
        numbers = {"mass_g": running.mass_g, "hours": running.hours, "nozzle_c": 215, "bed_c": 60}
        return self.post(
            "jobs",
            toolhead=toolhead.pk,
            spool=running.spool.code,
            name=running.name,
            project=f"customer {self.number % 3}",
            **numbers | more,
        )

    def _end(self, toolhead: Toolhead, running: Running, now: datetime) -> None:
        end = running.start + running.hours * HOUR
        if running.job is None:
            # Remembered afterwards; then the machine's script sends the same print once more.
            sent = {"stage": "finished", "start": running.start.isoformat()}
            running.job = self._record(toolhead, running, **sent)["id"]
            again = self._record(toolhead, running, **sent)
            assert again["id"] == running.job and again["known_before"]
            taken = {running.spool.code: running.mass_g}
            self.books.acts["recorded twice"] += 1
        else:
            taken = self._end_as_it_went(toolhead, running, end)
        del self.running[toolhead.pk]
        if self.random.random() < 0.03:
            self.post(f"jobs/{running.job}/withdraw", reason="it was another machine")
            self.books.acts["withdrawn"] += 1
            return
        for code, mass_g in taken.items():
            self.books.printed_g[code] += mass_g
        self.books.prints[toolhead.pk].append((running.start, running.hours))

    def _end_as_it_went(self, toolhead: Toolhead, running: Running, end: datetime) -> dict[str, float]:
        """Ends a print that was recorded as it began. Returns the grams that it took, by spool."""
        [result] = self.random.choices(list(ENDS), list(ENDS.values()))
        left_g = self._left(running.spool)
        taken = {running.spool.code: running.mass_g}
        if left_g < running.mass_g:
            following = self._choose(
                running.spool.feedstock_id, at_least_g=running.mass_g, before=running.start
            )
            result = "stopped" if following is None else "finished"
            if following is not None:
                taken = self._run_out(toolhead, running, following, end)
        if result == "finished":
            how: dict[str, Any] = {}
        else:
            mass_g = round(min(left_g, running.mass_g) * self.random.uniform(0.1, 0.9), 2)
            taken = {running.spool.code: mass_g}
            how = {"reason": "came off the bed", "mass_g": mass_g}
        self.post(f"jobs/{running.job}/end", result=result, at=end.isoformat(), parts=4, good_parts=3, **how)
        self.books.acts[result] += 1
        return taken

    def _run_out(
        self, toolhead: Toolhead, running: Running, following: Spool, end: datetime
    ) -> dict[str, float]:
        """Another spool of the same material goes on where the first could not give it all. Returns the grams of both."""
        # Its last turns stay in the feed path.
        first_g = round(0.95 * self._left(running.spool), 2)
        at = running.start + (end - running.start) * 0.6
        self.post(
            f"jobs/{running.job}/change-spool",
            spool=following.code,
            at=at.isoformat(),
            mass_g=first_g,
            unload_to=self.opened.shelf.pk,
        )
        self.loaded[toolhead.pk] = following
        if self.may(f"spools/{running.spool.code}/end", kind="empty") is not None:
            # It stays so, even where the print is withdrawn.
            self.empty.add(running.spool.code)
        self.books.acts["ran out"] += 1
        return {running.spool.code: first_g, following.code: running.mass_g - first_g}

    # Spools.

    def _left(self, spool: Spool) -> float:
        """By the books."""
        return LOCAL_G - self.books.printed_g[spool.code]

    def _choose(
        self, feedstock: int | None = None, at_least_g: float = 30.0, before: datetime | None = None
    ) -> Spool | None:
        """A spool that is free, and lay where it lies before that time."""
        busy = {spool.pk for spool in self.loaded.values()}
        free = [
            spool
            for spool in self.spools
            if spool.pk not in busy
            and spool.code not in self.drying.keys() | self.empty
            and (before is None or spool.code not in self.came or self.came[spool.code] < before)
            and self._left(spool) >= at_least_g
            and feedstock in (None, spool.feedstock_id)
        ]
        return self.random.choice(free) if free else None

    def _load(self, toolhead: Toolhead, now: datetime) -> Spool | None:
        spool = self._choose(before=now)
        if spool is None:
            return None
        place = self.random.choice([self.opened.shelf, self.opened.box])
        unload = {"unload_to": place.pk} if toolhead.pk in self.loaded else {}
        self.post(
            f"spools/{spool.code}/load", toolhead=toolhead.pk, override_reason="a week's work", **unload
        )
        if toolhead.pk in self.loaded:
            self.came[self.loaded[toolhead.pk].code] = now
        self.loaded[toolhead.pk] = spool
        self.books.acts["loaded"] += 1
        return spool

    def _weigh(self, now: datetime) -> None:
        spool = self._choose()
        if spool is not None:
            gross_g = round(200 + self._left(spool) * (1 + self.random.uniform(*WATER)), 1)
            self.may(f"spools/{spool.code}/weigh", gross_g=gross_g, resolution_g=0.1)
            self.books.acts["weighed"] += 1

    def _dry(self, now: datetime) -> None:
        spool = self._choose()
        dryer = self.random.choice(self.opened.dryers)
        if spool is None:
            return
        run = self.may(
            "drying-runs",
            spools=[{"spool": spool.code}],
            dryer=dryer.pk,
            set_point_c=45,
            planned_hours=4,
            override_reason="a short one will do",
        )
        if run is not None:
            self.drying[spool.code] = (run[0]["id"], now + 4 * HOUR)

    # Slips: a fact that is wrong, and withdrawn. All that was derived is as before.

    def _slip_weighing(self, now: datetime) -> None:
        spool = self._choose()
        if spool is None:
            return
        before = self._derived(spool)
        gross_g = round(260 + self._left(spool) * 0.9, 1)
        entry = self.may(f"spools/{spool.code}/weigh", gross_g=gross_g, resolution_g=1)
        if entry is not None:
            self._require_other(before, self._derived(spool), "weighing")
            self.post(f"spools/{spool.code}/mass-entries/{entry['id']}/withdraw", reason="another spool")
            self._require_same(before, self._derived(spool), "weighing")

    def _slip_ending(self, now: datetime) -> None:
        spool = self._choose()
        if spool is None:
            return
        before = self._derived(spool)
        if self.may(f"spools/{spool.code}/end", kind="lost") is not None:
            self._require_other(before, self._derived(spool), "ending")
            ending = spool.endings.get(withdrawn_at=None)
            self.post(f"spools/{spool.code}/endings/{ending.pk}/withdraw", reason="it turned up")
            self._require_same(before, self._derived(spool), "ending")

    def _slip_move(self, now: datetime) -> None:
        spool = self._choose()
        if spool is None:
            return
        before = self._derived(spool)
        place = (
            self.opened.shelf
            if spool.stays.get(end=None).place_id != self.opened.shelf.pk
            else self.opened.box
        )
        self.post(f"spools/{spool.code}/move", place=place.pk)
        self._require_other(before, self._derived(spool), "move")
        move = spool.moves.filter(withdrawn_at=None).order_by("at", "pk").last()
        self.post(f"spools/{spool.code}/moves/{move.pk}/withdraw", reason="another spool")
        self._require_same(before, self._derived(spool), "move")

    def _slip_job(self, now: datetime) -> None:
        toolhead = self.random.choice(self.toolheads)
        spool = self.loaded.get(toolhead.pk)
        if spool is None or toolhead.pk in self.running:
            return
        before = self._derived(spool, toolhead)
        wrong = Running(now, 0.05, 3.0, spool, "slip of the finger")
        job = self.may(
            "jobs",
            toolhead=toolhead.pk,
            spool=spool.code,
            name=wrong.name,
            mass_g=wrong.mass_g,
            hours=wrong.hours,
            nozzle_c=215,
            bed_c=60,
            stage="finished",
        )
        if job is not None:
            self._require_other(before, self._derived(spool, toolhead), "job")
            self.post(f"jobs/{job['id']}/withdraw", reason="never printed")
            self._require_same(before, self._derived(spool, toolhead), "job")

    def _require_other(self, before: Any, after: Any, kind: str) -> None:
        """The wrong fact counts until it is withdrawn, in the caches, too."""
        assert before != after, (kind, before)

    def _require_same(self, before: Any, after: Any, kind: str) -> None:
        assert before == after, (kind, before, after)
        self.books.acts[f"slip: {kind}"] += 1

    def _derived(self, spool: Spool, toolhead: Toolhead | None = None) -> Any:
        """Numbers that follow from the facts about a spool and a toolhead."""
        spool = Spool.objects.get(pk=spool.pk)
        # As a worker does right after each fact: the amount on a spool uses the water that was computed last.
        cache.advance([spool])
        moisture = moisture_now(spool)
        wear = WearEntry.objects.filter(use__toolhead=toolhead).order_by(
            "part", "use__job__start", "use__spool"
        )
        columns = ("part", "use__spool", "dose_km", "feed_km", "hot_h", "hours", "prints")
        return {
            "amount": remaining(spool),
            "moisture": (moisture.mean_pct, moisture.exposure_hours, moisture.heat_hours),
            "ended": spool.ended_at,
            "stay": [(stay.place_id, stay.start, stay.end) for stay in spool.stays.order_by("start")],
            "wear": list(wear.values_list(*columns)) if toolhead else [],
        }

    # Machines.

    def _replace(self, now: datetime) -> None:
        toolhead = self.random.choice(self.toolheads)
        if toolhead.pk not in self.running:
            self.post("fittings/replace", toolhead=toolhead.pk, role="nozzle", kind=self.opened.nozzle.pk)
            self.books.acts["replaced"] += 1

    def _serve(self, now: datetime) -> None:
        toolhead = self.random.choice(self.toolheads)
        kind = self.random.choice(self.opened.services)
        if self.may("services", kind=kind.pk, toolhead=toolhead.pk):
            self.books.served[toolhead.pk, kind.pk] = now
            self.books.acts["served"] += 1


def read_air(opened: Opened, client: APIClient, places: list[Place], now: datetime, random: Random) -> None:
    """A sensor at each place sends six hours at once, and repeats the last of them."""
    for place in places:
        rows = [
            {
                "at": (now - n * HOUR).astimezone(UTC).isoformat(),
                "temperature_c": round(22 + random.uniform(-2, 2), 1),
                "rh_pct": round(48 + random.uniform(-12, 12), 1),
            }
            for n in range(5, -1, -1)
        ]
        for sent in (rows, rows[-1:]):
            answer = client.post(f"{V1}places/{place.pk}/readings", sent, format="json")
            assert answer.status_code == 201, answer.content[:300]
