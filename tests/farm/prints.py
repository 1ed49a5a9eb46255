"""The prints of a farm as they were: each with its events, its grams and its times in plain numbers. It knows no Django."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from math import pi
from random import Random
from typing import Any

HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
DENSITY_G_CM3, DIAMETER_MM = 1.24, 1.75
GRAMS_PER_M = DENSITY_G_CM3 * pi * DIAMETER_MM**2 / 4
# How prints end, and in how many of a hundred.
ENDS = {"finished": 80, "failed": 11, "stopped": 9}
# How the end of a print tells its grams; "as planned" only of one that is finished.
MEASURES = ("metres", "metres", "metres", "mass_g", "as planned")
# A spool is changed when so little is left on it, g.
LEAST_G, MOST_LEFT_G = 4.0, 12.0
SLOWEST_G_H = 14.0


@dataclass
class Event:
    """As a host reports it. arrives: when its report is queued, which may be hours later."""

    id: str
    at: datetime
    arrives: datetime
    kind: str
    job: str
    fields: dict[str, Any] = field(default_factory=dict)


@dataclass
class Print:
    """A print as it was. grams: by spool. end: None while it runs; start: None while it is planned."""

    key: str
    stage: str
    start: datetime | None
    end: datetime | None
    grams: dict[str, float] = field(default_factory=dict)


@dataclass
class Machine:
    """A printer with its prints. spools: codes, the first one loaded, each with its grams; skew_s: of its host's clock."""

    name: str
    toolhead: int
    spools: list[tuple[str, float]]
    skew_s: float
    names_spools: bool = True
    prints: list[Print] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    def live(self, start: datetime, end: datetime, random: Random) -> None:
        """Prints from start to end, one after the other, as long as there is filament."""
        self.random, self.left_g = random, dict(self.spools)
        self.codes = [code for code, _ in self.spools]
        now = start + random.uniform(1, 60) * MINUTE
        while (most_g := self._most_g(now, end)) > 20 and self._room_g() > 300:
            now = self._print(now, most_g) + random.uniform(4, 120) * MINUTE
        if now < end - 2 * HOUR:
            self._leave_open(end - random.uniform(20, 60) * MINUTE)
        self._deliver()

    @staticmethod
    def _most_g(now: datetime, end: datetime) -> float:
        """A print of this mass is over before the end, however slow it is and whatever stops it on the way."""
        return min(220.0, SLOWEST_G_H * ((end - now) / HOUR - 6) / 1.15)

    def _room_g(self) -> float:
        return sum(self.left_g[code] for code in self.codes)

    def _leave_open(self, now: datetime) -> None:
        """The last one prints yet, or is planned."""
        key = self._name()
        numbers = {"mass_g": 120.0, "hours": 9.0, "nozzle_c": 215, "bed_c": 60}
        if self.random.random() < 0.6:
            self._say("started", now, key, name=f"Part {key}", **numbers, **self._spool())
            self._say("progress", now + 10 * MINUTE, key, metres=1.5)
            self.prints.append(Print(key, "printing", now, None))
        else:
            self._say("planned", now, key, name=f"Part {key}", **numbers, **self._spool())
            self.prints.append(Print(key, "planned", None, None))

    def _name(self) -> str:
        return f"{self.name}-{len(self.prints) + 1}"

    def _spool(self) -> dict[str, str]:
        return {"spool": self.codes[0]} if self.names_spools else {}

    def _print(self, start: datetime, most_g: float) -> datetime:
        """One print; returns its end."""
        random, key = self.random, self._name()
        mass_g = round(random.uniform(4, most_g), 2)
        hours = round(mass_g / random.uniform(SLOWEST_G_H, 30) + 0.2, 3)
        numbers = {"mass_g": mass_g, "hours": hours, "nozzle_c": 215, "bed_c": 60}
        head = {"name": f"Part {key}", **numbers}
        if random.random() < 0.4:
            self._say("planned", start - random.uniform(1, 40) * MINUTE, key, **head, **self._spool())
            head = {}
        self._say("started", start, key, **head, **self._spool())
        [stage] = random.choices(list(ENDS), list(ENDS.values()))
        part = random.uniform(0.97, 1.04) if stage == "finished" else random.uniform(0.1, 0.9)
        metres = round(mass_g * part / GRAMS_PER_M, 3)
        end = start + hours * random.uniform(0.96, 1.1) * min(1.0, part) * HOUR
        grams, end = self._extrude(key, start, end, metres)
        measure = random.choice(MEASURES)
        said: dict[str, Any] = {"metres": metres}
        if len(grams) == 1 and measure == "mass_g":
            [code] = grams
            said = {"mass_g": round(mass_g * part, 2)}
            grams = {code: said["mass_g"]}
        elif len(grams) == 1 and measure == "as planned" and stage == "finished":
            said, grams = {}, dict.fromkeys(grams, mass_g)
        for code, mass in grams.items():
            self.left_g[code] -= mass
        if random.random() < 0.3:
            said |= {"parts": 4, "good_parts": random.randint(0, 4)}
        if stage != "finished":
            said["reason"] = "It came off the bed."
        self._say(stage, end, key, **said)
        self.prints.append(Print(key, stage, start, end, grams))
        return end

    def _extrude(
        self, key: str, start: datetime, end: datetime, metres: float
    ) -> tuple[dict[str, float], datetime]:
        """Progress, pauses and changes of spool on the way. Returns the grams of each spool and the end."""
        random, grams, before_m = self.random, {}, 0.0
        pauses: list[tuple[datetime, timedelta]] = []
        while (metres - before_m) * GRAMS_PER_M > self.left_g[self.codes[0]] - LEAST_G:
            code = self.codes[0]
            at_m = round(
                before_m + (self.left_g[code] - random.uniform(LEAST_G, MOST_LEFT_G)) / GRAMS_PER_M, 3
            )
            out = start + (end - start) * (at_m / metres)
            waited = random.uniform(2, 90) * MINUTE
            self.codes.pop(0)
            said = {"metres": at_m, "spool": self.codes[0]}
            if random.random() < 0.5:
                self._say("ran_out", out, key, metres=at_m)
                self._say("spool_changed", out + waited, key, **said)
                grams_at, end = out + waited, end + waited
            else:
                self._say("ran_out", out, key, **said)
                grams_at = out
            pauses.append((grams_at, waited))
            grams[code] = (at_m - before_m) * GRAMS_PER_M
            before_m = at_m
        grams[self.codes[0]] = (metres - before_m) * GRAMS_PER_M
        if random.random() < 0.15 and not pauses:
            at, waited = start + (end - start) * random.uniform(0.2, 0.8), random.uniform(1, 30) * MINUTE
            self._say("paused", at, key, reason="The door was opened.")
            self._say("resumed", at + waited, key)
            end += waited
        for tenths in range(1, 10):
            share = tenths / 10
            self._say(
                "progress",
                start + (end - start) * share,
                key,
                metres=round(metres * share, 3),
                pct=100 * share,
            )
        return grams, end

    def _say(self, kind: str, at: datetime, job: str, **fields: Any) -> None:
        number = len(self.events) + 1
        self.events.append(Event(f"{self.name}:{number}", at, at, kind, job, fields))

    def _deliver(self) -> None:
        """Reports come late, in another order, and now and then twice."""
        repeated = []
        for event in self.events:
            way = self.random.random()
            if way > 0.9:
                event.arrives += self.random.uniform(1, 14) * HOUR
            elif way > 0.7:
                event.arrives += self.random.uniform(1, 50) * MINUTE
            if self.random.random() < 0.05:
                later = event.arrives + self.random.uniform(0, 3) * HOUR
                repeated.append(Event(event.id, event.at, later, event.kind, event.job, event.fields))
        self.events = sorted([*self.events, *repeated], key=lambda event: event.arrives)

    def reports(self) -> Iterator[dict[str, Any]]:
        """What its host records, in the order of arrival, by the host's clock."""
        for event in self.events:
            at = event.at + timedelta(seconds=self.skew_s)
            yield {
                "id": event.id,
                "kind": event.kind,
                "printer": self.name,
                "job": event.job,
                "at": at.isoformat(),
                **event.fields,
            }
