"""A simulated scale under a spool holder: noise, drift by creep and by the warmth of the day, prints, knocks."""

import math
import random
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from maintenance.scales.signal import Minute

EVERY_S = 10


@dataclass
class SimulatedScale:
    """mass_g: with the reel, at the start. prints: (start, end, g). steps: lasting changes, (time, g). lifts: (start, end)."""

    start: datetime
    mass_g: float = 1000.0
    step_g: float = 1.0
    noise_g: float = 0.3
    creep_g_day: float = 2.0
    warmth_g: float = 0.5
    pull_g: float = 5.0
    seed: int = 1
    prints: list[tuple[datetime, datetime, float]] = field(default_factory=list)
    steps: list[tuple[datetime, float]] = field(default_factory=list)
    lifts: list[tuple[datetime, datetime]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)

    def true_g(self, at: datetime) -> float:
        """The mass on the scale."""
        taken = sum(g * min(1.0, max(0.0, (at - a) / (b - a))) for a, b, g in self.prints)
        return self.mass_g - taken + sum(g for step_at, g in self.steps if step_at <= at)

    def shown_g(self, at: datetime) -> float:
        """As it is shown: a spool that is being printed from is pulled at, one that is knocked swings."""
        if any(a <= at < b for a, b in self.lifts):
            return 0.0
        days = (at - self.start) / timedelta(days=1)
        drift = self.creep_g_day * days + self.warmth_g * math.sin(2 * math.pi * days)
        pull = self.random.uniform(0, self.pull_g) if any(a <= at < b for a, b, _ in self.prints) else 0.0
        knock = self.random.uniform(-200, 200) if self.random.random() < 1e-3 else 0.0
        exact = self.true_g(at) + drift - pull + knock + self.random.gauss(0, self.noise_g)
        return round(exact / self.step_g) * self.step_g

    def values(self, start: datetime, end: datetime) -> list[tuple[datetime, float]]:
        count = int((end - start).total_seconds() / EVERY_S)
        times = [start + timedelta(seconds=EVERY_S * n) for n in range(count)]
        return [(at, self.shown_g(at)) for at in times]

    def minutes(self, start: datetime, end: datetime) -> list[Minute]:
        values = [g for _, g in self.values(start, end)]
        each = 60 // EVERY_S
        return [
            Minute(start + timedelta(minutes=n), values[each * n : each * (n + 1)])
            for n in range(len(values) // each)
        ]
