"""Trials of the learning on invented shops in which the true lives are known.

A band of 10 % to 90 % is honest when it holds 80 % of the lives to come, whatever has been seen so far; and
it should become narrow as parts come off. ``manage.py life_learning`` prints what DEVELOPERS.md says.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import exp, log

import numpy as np

from .learning import SHAPE_SPREAD, TAIL, Expected, Record, Weibull, lasting, learn, prior_of
from .life import Life

# One part in three comes off before it is worn, at a random age.
OFF_SOUND = 1 / 3


@dataclass(frozen=True)
class Trial:
    """After so many removals, over many shops: the true share of lives inside the band of 10 % to 90 %, and
    how wide the bands are, as ratio of their ends: of the next part's life, and of the kind's typical life.
    """

    removals: int
    covered: float
    band: float
    typical_band: float


def drawn(stated: Life, count: int, rng: np.random.Generator) -> list[Weibull]:
    """Shops whose lives are as uncertain as what is stated."""
    prior = prior_of(stated)
    etas = np.exp(prior.log_eta(rng.standard_t(TAIL, count)))
    betas = np.exp(prior.log_shape + SHAPE_SPREAD * rng.standard_normal(count))
    return [Weibull(float(eta), float(beta)) for eta, beta in zip(etas, betas, strict=True)]


def removals(truth: Weibull, count: int, rng: np.random.Generator) -> list[Record]:
    """Parts of one shop that came off, most of them worn."""
    lives = truth.eta * rng.weibull(truth.beta, count)
    sound = rng.random(count) < OFF_SOUND
    ages = np.where(sound, lives * rng.random(count), lives)
    return [Record(float(age), not off) for age, off in zip(ages, sound, strict=True)]


def trials(
    stated: Life, truths: Sequence[Weibull], counts: Sequence[int], rng: np.random.Generator
) -> Iterator[Trial]:
    """What is expected in each shop after each of these numbers of removals, against its truth."""
    seen = [(truth, removals(truth, max(counts), rng)) for truth in truths]
    for count in counts:
        found = [(truth, learn(stated, tuple(records[:count]))) for truth, records in seen]
        yield Trial(
            count,
            float(np.mean([covered(truth, expected) for truth, expected in found])),
            _mean_ratio([(expected.low, expected.high) for _, expected in found]),
            _mean_ratio([(expected.typical[0], expected.typical[2]) for _, expected in found]),
        )


def shop_at_work(truth: Weibull, machines: int, since: float, rng: np.random.Generator) -> list[Record]:
    """A shop as it is found: every machine wore out one part after the other, and has one in it now.

    since: what each machine has done in all, in the unit of the life. The parts in use are the last records.
    """
    worn, in_use = [], []
    for _ in range(machines):
        done = 0.0
        while done + (life := truth.eta * float(rng.weibull(truth.beta))) <= since:
            worn.append(Record(life, True))
            done += life
        in_use.append(Record(since - done, False))
    return worn + in_use


def covered_at_work(
    stated: Life, truths: Sequence[Weibull], machines: int, since: float, rng: np.random.Generator
) -> tuple[float, float]:
    """The covered share when the parts in use are left out, and when they count as ``lasting``."""
    shares = []
    for truth in truths:
        records = shop_at_work(truth, machines, since, rng)
        worn, in_use = records[:-machines], records[-machines:]
        counted = [*worn, *(lasting(record.age, stated) for record in in_use)]
        shares.append([covered(truth, learn(stated, tuple(found))) for found in (worn, counted)])
    left_out, counted_in = np.mean(shares, axis=0)
    return float(left_out), float(counted_in)


def covered(truth: Weibull, expected: Expected) -> float:
    """The true probability that a part's life lies between the expected 10 % and 90 %."""
    return truth.used_up_by(expected.high) - truth.used_up_by(expected.low)


def _mean_ratio(ends: Sequence[tuple[float, float]]) -> float:
    return exp(float(np.mean([log(high / low) for low, high in ends])))


def halved_after(found: Sequence[Trial]) -> int | None:
    """The first of these trials, in removals, whose typical life is known twice as well as in the first."""
    half = found[0].typical_band ** 0.5
    return next((trial.removals for trial in found if trial.typical_band <= half), None)
