from typing import Any

import numpy as np
from django.core.management.base import BaseCommand, CommandParser

from maintenance.wear.learning import Weibull
from maintenance.wear.life import Life
from maintenance.wear.trials import covered_at_work, drawn, halved_after, trials

# As stated in fixtures/part_kinds.csv: a wide band, a wider one, a narrow one.
STATED = {
    "brass nozzle 0.4 mm, km of filler": Life(0.17, 0.055, 0.49),
    "hardened steel nozzle 0.4 mm, km of filler": Life(1.1, 0.22, 5.4),
    "PTFE liner, hot hours": Life(400, 200, 600),
}
REMOVALS = [0, 1, 2, 3, 4, 6, 8, 12, 16, 32]
SHAPES, FACTORS = [1.5, 3.0], [1 / 3, 1.0, 3.0]
MACHINES = 3
# What each machine of a shop has done when it is looked at, in stated median lives.
WORKED = [0.5, 1, 2, 4]


class Command(BaseCommand):
    help = "Try the learning of lives on invented shops whose true lives are known, and print how it does."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--shops", type=int, default=400, help="shops per row (default 400)")
        parser.add_argument("--seed", type=int, default=1)

    def handle(self, *args: Any, **options: Any) -> None:
        shops, rng = options["shops"], np.random.default_rng(options["seed"])
        for name, stated in STATED.items():
            self.stdout.write(f"\n{name}: stated {stated.median:g} ({stated.low:g} to {stated.high:g})")
            self._as_stated(stated, shops, rng)
            self._otherwise(stated, shops // 4, rng)
            self._at_work(stated, shops // 2, rng)

    def _as_stated(self, stated: Life, shops: int, rng: np.random.Generator) -> None:
        self.stdout.write(
            f"\n{shops} shops whose lives are as uncertain as stated, one part in three off early:"
        )
        self.stdout.write("parts off  80 % band holds  its ends' ratio  ratio of the typical life's band")
        found = list(trials(stated, drawn(stated, shops, rng), REMOVALS, rng))
        for trial in found:
            numbers = f"{100 * trial.covered:12.1f} %  {trial.band:15.2f}  {trial.typical_band:12.2f}"
            self.stdout.write(f"{trial.removals:9}  {numbers}")
        self.stdout.write(
            f"The band of the typical life halves (as logarithm) after {halved_after(found)} parts."
        )

    def _otherwise(self, stated: Life, shops: int, rng: np.random.Generator) -> None:
        self.stdout.write(
            "\nLives in truth, against the stated median; what the 80 % band holds, by parts off:"
        )
        self.stdout.write(f"median  shape  {'  '.join(f'{count:5}' for count in REMOVALS)}")
        for factor in FACTORS:
            for shape in SHAPES:
                truth = Weibull(factor * stated.median / np.log(2) ** (1 / shape), shape)
                found = trials(stated, [truth] * shops, REMOVALS, rng)
                shares = "  ".join(f"{100 * trial.covered:3.0f} %" for trial in found)
                self.stdout.write(f"{factor:5.2f}x  {shape:5}  {shares}")

    def _at_work(self, stated: Life, shops: int, rng: np.random.Generator) -> None:
        self.stdout.write(f"\nShops of {MACHINES} machines as they are found at work; the 80 % band holds:")
        self.stdout.write("done by each, median lives  parts in use left out  counted as lasting so far")
        for worked in WORKED:
            truths = drawn(stated, shops, rng)
            out, counted = covered_at_work(stated, truths, MACHINES, worked * stated.median, rng)
            self.stdout.write(f"{worked:26}  {100 * out:19.1f} %  {100 * counted:23.1f} %")
