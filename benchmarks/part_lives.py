"""Do the learnt lives of parts hold what they promise? Invented shops in which the true lives are known.

    python -m benchmarks.part_lives --shops 400 --seed 1

An interval from 10 % to 90 % is calibrated when it holds 80 % of the lives to come, whatever the shop has
recorded so far; and it should become narrow as parts come off. docs/part-lives.md shows the results.
"""

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import exp, log

import numpy as np

from maintenance.wear.learning import (
    SHAPE_SPREAD,
    TAIL,
    ExpectedLives,
    Record,
    Weibull,
    learn,
    prior_of,
    record_in_use,
)
from maintenance.wear.life import Life

# As stated in fixtures/part_kinds.csv: a wide band, a wider one, a narrow one.
STATED = {
    "brass nozzle 0.4 mm, km of filler": Life(0.17, 0.055, 0.49),
    "hardened steel nozzle 0.4 mm, km of filler": Life(1.1, 0.22, 5.4),
    "PTFE liner, hot hours": Life(400, 200, 600),
}
REMOVALS = [0, 1, 2, 3, 4, 6, 8, 12, 16, 32]
SHAPES, FACTORS = [1.5, 3.0], [1 / 3, 1.0, 3.0]
MACHINES = 3
# The work of each machine of a shop so far, in stated median lives.
WORKED = [0.5, 1, 2, 4]


# One part in three comes off before it is worn, at a random age.
OFF_SOUND = 1 / 3


@dataclass(frozen=True)
class LifeTrial:
    """The intervals after a number of removals, over many shops.

    covered: the true share of lives inside the interval of 10 % to 90 %. band, typical_band: the ratio of
    the interval's ends, of the next part's life and of the kind's typical life.
    """

    removals: int
    covered: float
    band: float
    typical_band: float


def draw_shops(stated: Life, count: int, rng: np.random.Generator) -> list[Weibull]:
    """Shops whose true lives are as uncertain as the stated life."""
    prior = prior_of(stated)
    etas = np.exp(prior.log_eta(rng.standard_t(TAIL, count)))
    betas = np.exp(prior.log_shape + SHAPE_SPREAD * rng.standard_normal(count))
    return [Weibull(float(eta), float(beta)) for eta, beta in zip(etas, betas, strict=True)]


def draw_removals(truth: Weibull, count: int, rng: np.random.Generator) -> list[Record]:
    """Parts of one shop that came off, most of them worn."""
    lives = truth.eta * rng.weibull(truth.beta, count)
    sound = rng.random(count) < OFF_SOUND
    ages = np.where(sound, lives * rng.random(count), lives)
    return [Record(float(age), not off) for age, off in zip(ages, sound, strict=True)]


def run_trials(
    stated: Life, truths: Sequence[Weibull], counts: Sequence[int], rng: np.random.Generator
) -> Iterator[LifeTrial]:
    """Compares the expected lives of each shop with its true ones, after each of these numbers of removals."""
    histories = [(truth, draw_removals(truth, max(counts), rng)) for truth in truths]
    for count in counts:
        learnt = [(truth, learn(stated, tuple(records[:count]))) for truth, records in histories]
        yield LifeTrial(
            count,
            float(np.mean([coverage(truth, expected) for truth, expected in learnt])),
            _mean_ratio([(expected.low, expected.high) for _, expected in learnt]),
            _mean_ratio([(expected.typical[0], expected.typical[2]) for _, expected in learnt]),
        )


def draw_shop_at_work(truth: Weibull, machines: int, since: float, rng: np.random.Generator) -> list[Record]:
    """A shop on some day: every machine wore out one part after the other, and has one in it now.

    since: the work of each machine so far, in the unit of the life. The parts in use are the last records.
    """
    worn, in_use = [], []
    for _ in range(machines):
        age = 0.0
        while age + (life := truth.eta * float(rng.weibull(truth.beta))) <= since:
            worn.append(Record(life, True))
            age += life
        in_use.append(Record(since - age, False))
    return worn + in_use


def measure_at_work(
    stated: Life, truths: Sequence[Weibull], machines: int, since: float, rng: np.random.Generator
) -> tuple[float, float]:
    """The covered share when the parts in use are left out, and when they count as records in use."""
    shares = []
    for truth in truths:
        records = draw_shop_at_work(truth, machines, since, rng)
        worn, in_use = records[:-machines], records[-machines:]
        counted = [*worn, *(record_in_use(record.age, stated) for record in in_use)]
        shares.append([coverage(truth, learn(stated, tuple(sample))) for sample in (worn, counted)])
    left_out, counted_in = np.mean(shares, axis=0)
    return float(left_out), float(counted_in)


def coverage(truth: Weibull, expected: ExpectedLives) -> float:
    """The true probability that a part's life lies between the expected 10 % and 90 %."""
    return truth.used_up_by(expected.high) - truth.used_up_by(expected.low)


def _mean_ratio(ends: Sequence[tuple[float, float]]) -> float:
    return exp(float(np.mean([log(high / low) for low, high in ends])))


def halved_after(trials: Sequence[LifeTrial]) -> int | None:
    """The number of removals after which the typical life is known twice as well; None if it never is."""
    half = trials[0].typical_band ** 0.5
    return next((trial.removals for trial in trials if trial.typical_band <= half), None)


def print_as_stated(stated: Life, shops: int, rng: np.random.Generator) -> None:
    print(f"\n{shops} shops whose lives are as uncertain as stated, one part in three off early:")
    print("parts off  80 % band holds  its ends' ratio  ratio of the typical life's band")
    trials = list(run_trials(stated, draw_shops(stated, shops, rng), REMOVALS, rng))
    for trial in trials:
        numbers = f"{100 * trial.covered:12.1f} %  {trial.band:15.2f}  {trial.typical_band:12.2f}"
        print(f"{trial.removals:9}  {numbers}")
    print(f"The band of the typical life halves (as logarithm) after {halved_after(trials)} parts.")


def print_otherwise(stated: Life, shops: int, rng: np.random.Generator) -> None:
    print("\nLives in truth, against the stated median; what the 80 % band holds, by parts off:")
    print(f"median  shape  {'  '.join(f'{count:5}' for count in REMOVALS)}")
    for factor in FACTORS:
        for shape in SHAPES:
            truth = Weibull(factor * stated.median / np.log(2) ** (1 / shape), shape)
            trials = run_trials(stated, [truth] * shops, REMOVALS, rng)
            shares = "  ".join(f"{100 * trial.covered:3.0f} %" for trial in trials)
            print(f"{factor:5.2f}x  {shape:5}  {shares}")


def print_at_work(stated: Life, shops: int, rng: np.random.Generator) -> None:
    print(f"\nShops of {MACHINES} machines as they are found at work; the 80 % band holds:")
    print("done by each, median lives  parts in use left out  counted as lasting so far")
    for worked in WORKED:
        truths = draw_shops(stated, shops, rng)
        out, counted = measure_at_work(stated, truths, MACHINES, worked * stated.median, rng)
        print(f"{worked:26}  {100 * out:19.1f} %  {100 * counted:23.1f} %")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=400, help="shops per row (default 400)")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    for name, stated in STATED.items():
        print(f"\n{name}: stated {stated.median:g} ({stated.low:g} to {stated.high:g})")
        print_as_stated(stated, options.shops, rng)
        print_otherwise(stated, options.shops // 4, rng)
        print_at_work(stated, options.shops // 2, rng)


if __name__ == "__main__":
    main()
