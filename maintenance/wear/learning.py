"""How long a kind of part lasts, learnt from the shop's own parts.

Lives follow a Weibull distribution, S(t) = exp(-(t/eta)^beta), in the unit that wears the part. What is known
of scale and shape is kept as weights on a grid of both:

- before any part has come off, the weights are such that the lives to be expected pass through the three ages
  that are stated of the kind (median, and the band of 10 % and 90 %);
- a part that came off worn counts with its density f(age) = beta/eta (t/eta)^(beta-1) S(t), one that came off
  for another reason with S(age), for it would have lasted longer (right-censored);
- a gauge's reading of how much of a part's life is used counts with what it allows of that part's life T:
  the integral of f(T) N(share; age/T, error) over all T beyond the age at which it was seen sound.

The lives expected of the next part are the mixture of all these Weibulls. With few records the stated life
leads, with many the shop's own. References: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3 (maximum
likelihood with censoring) and 8.4.3 (Bayes with a prior); Meeker and Escobar, Statistical Methods for
Reliability Data, 1998 (from memory).
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from math import exp, expm1, log, log1p
from typing import NamedTuple

import numpy as np

from .life import Life

Array = np.ndarray

# Shape before any record: wear-out, with 10 % and 90 % at 1.5 and 4.2. Common practice, no source.
USUAL_SHAPE, SHAPE_SPREAD = 2.5, 0.4
# Like parts are never more alike than this; a life stated with a narrower band is not that certain. Guess.
HIGHEST_SHAPE = 12.0
# How much of a stated band may be scatter between like parts; the rest is not knowing their typical life.
# Guess.
SCATTER_SHARE = 0.7
# Degrees of freedom of Student's t: the fewer, the sooner own parts outweigh a stated life that is wrong.
TAIL = 3
# Cumulative hazard H = -ln S at 10 %, 50 % and 90 % used up.
HAZARDS = -np.log1p(-np.array([0.1, 0.5, 0.9]))
ETA_STEPS, SHAPE_STEPS, TABLE_STEPS, SHARE_STEPS = 41, 17, 300, 100
# Less than what the steps of the table are off: a few 0.001.
MOST_OFF = 0.001
# The share of gauge readings that are slips. A guess.
STUDENT_DEGREES = 1e-6
# Ages this far from the stated life, as logarithm, are no more evidence than that they are far.
FAR = 14.0
# Of the logarithm of a weight: what lies that far below the largest weighs nothing.
NEGLIGIBLE = 15.0
# The grid reaches so far beyond the shortest and the longest life seen, in spreads of the prior: like parts may have a
# scale beyond the ages at which one of them came off, and the tail of the prior is long.
BEYOND = 3.0
ROUNDS = 4


@dataclass(frozen=True)
class BoreEvidence:
    """A gauge's word on a part: at this age this share of its life was used, with its standard error."""

    age: float
    share: float
    error: float


@dataclass(frozen=True)
class Record:
    """One part's record: its life ended at this age (worn), or it lasted longer; readings of it."""

    age: float
    worn: bool
    readings: tuple[BoreEvidence, ...] = ()


@dataclass(frozen=True)
class Weibull:
    """Lives of like parts of which everything is known."""

    eta: float
    beta: float

    def used_up_by(self, age: float) -> float:
        return float(-np.expm1(-((max(0.0, age) / self.eta) ** self.beta)))

    def age_when(self, probability: float) -> float:
        return float(self.eta * (-np.log1p(-probability)) ** (1 / self.beta))


@dataclass(frozen=True)
class ExpectedLives:
    """Lives to be expected: ln H over ln age, straight between the points (as a Weibull's is throughout).

    typical: the median life of the kind (10 %, 50 %, 90 % sure), in which like parts' scatter is left out.
    """

    log_age: tuple[float, ...]
    log_hazard: tuple[float, ...]
    typical: tuple[float, float, float]

    def used_up_by(self, age: float) -> float:
        if age <= 0:
            return 0.0
        return -expm1(-exp(_interpolate(log(age), self.log_age, self.log_hazard)))

    def age_when(self, probability: float) -> float:
        return exp(_interpolate(log(-log1p(-probability)), self.log_hazard, self.log_age))

    @cached_property
    def low(self) -> float:
        return self.age_when(0.1)

    @cached_property
    def median(self) -> float:
        return self.age_when(0.5)

    @cached_property
    def high(self) -> float:
        return self.age_when(0.9)

    @cached_property
    def thinned(self) -> "ExpectedLives":
        """The same with fewer points, for storing: ln H is off by MOST_OFF at most."""
        log_age, log_hazard = np.array(self.log_age), np.array(self.log_hazard)
        kept = [0, len(log_age) - 1]
        while (
            off := np.abs(np.interp(log_age, log_age[kept], log_hazard[kept]) - log_hazard)
        ).max() > MOST_OFF:
            kept = sorted([*kept, int(off.argmax())])
        return ExpectedLives(
            tuple(log_age[kept].round(6).tolist()), tuple(log_hazard[kept].round(6).tolist()), self.typical
        )

    @cached_property
    def of_unknown_age(self) -> "ExpectedLives":
        """The further lives of parts of which any share of the life, 0 to 1, is gone: S'(t) = mean of S(t / left).

        A guess of how much: all shares alike.
        """
        left = (np.arange(SHARE_STEPS) + 0.5) / SHARE_STEPS
        log_age = np.array(self.log_age)
        log_age = np.append(np.linspace(log_age[0] - 5, log_age[0], 20, endpoint=False), log_age)
        log_hazard = np.interp(log_age[:, None] - np.log(left), self.log_age, self.log_hazard, left=-np.inf)
        hazard = np.exp(log_hazard)
        used, survival = -np.expm1(-hazard).mean(axis=1), np.exp(-hazard).mean(axis=1)
        return _expected(np.exp(log_age), used, survival, self.typical)

    def condition_on(self, readings: Sequence[BoreEvidence]) -> "ExpectedLives":
        """The lives that these readings leave to the part that they were taken of."""
        if not readings:
            return self
        gauged = _CombinedReadings.combine(readings)
        ages = np.union1d(np.exp(self.log_age), gauged.lives())
        hazard = np.exp(np.interp(np.log(ages), self.log_age, self.log_hazard))
        mass = np.exp(-hazard[:-1]) * -np.expm1(-np.diff(hazard))
        evidence = gauged.log_evidence(np.sqrt(ages[:-1] * ages[1:]))
        # Lives that nobody expects may fit far better than all that are expected.
        weight = mass * np.exp(np.minimum(evidence - evidence[mass > 0].max(), 0))
        mass = weight / weight.sum() + STUDENT_DEGREES * mass
        mass /= mass.sum()
        return _expected(ages[1:-1], np.cumsum(mass[:-1]), np.cumsum(mass[:0:-1])[::-1], self.typical)


class _CombinedReadings(NamedTuple):
    """All readings of a part as one: 1/T, the share of its life that a unit of age uses, and its error."""

    rate: float
    error: float

    @classmethod
    def combine(cls, readings: Sequence[BoreEvidence]) -> "_CombinedReadings":
        weights = [(reading.age / reading.error) ** 2 for reading in readings]
        rates = [reading.share / reading.age for reading in readings]
        rate = sum(weight * rate for weight, rate in zip(weights, rates, strict=True)) / sum(weights)
        return cls(rate, sum(weights) ** -0.5)

    def log_evidence(self, lives: Array) -> Array:
        """The log-likelihood of these lives by the readings, up to a constant."""
        return -(((1 / lives - self.rate) / self.error) ** 2) / 2

    def lives(self) -> Array:
        """Lives dense enough to resolve the likelihood of the readings."""
        fastest = max(self.rate + 6 * self.error, self.error)
        rates = np.linspace(max(self.rate - 6 * self.error, fastest * 1e-4), fastest, 80)
        return np.union1d(1 / rates, np.geomspace(1 / fastest, 1e4 / fastest, 60))


class Prior(NamedTuple):
    """ln eta is ``middle`` + z times the spread below or above it; how z is distributed: ``_log_prior``."""

    middle: float
    below: float
    above: float
    log_shape: float

    def log_eta(self, z: Array) -> Array:
        return self.middle + z * np.where(z < 0, self.below, self.above)

    def z(self, log_eta: float) -> float:
        distance = log_eta - self.middle
        return distance / (self.below if distance < 0 else self.above)


class _ParameterGrid(NamedTuple):
    """Scales, shapes and their weights, which add up to 1."""

    eta: Array
    beta: Array
    weight: Array

    def used_up_by(self, ages: Array) -> Array:
        return -np.expm1(-_hazard(ages, self.eta, self.beta)) @ self.weight


def record_in_use(age: float, stated: Life) -> Record:
    """A part that is in use: it has lasted so far, as nobody took it off as worn.

    Left out, the learnt life would be too short, for short-lived parts come off first. Believed only up to
    the age of a long-lived one: beyond that somebody has to have looked. To two digits, which is enough here.
    """
    return Record(float(f"{min(age, stated.high):.2g}"), False)


def _hazard(ages: Array, eta: Array, beta: Array) -> Array:
    """H of each age (rows) by each scale and shape (columns); beyond 1,000 nothing is left in any case."""
    return np.exp(np.minimum(beta * _log_ratio(ages, eta), 7.0))


def _log_ratio(ages: Array, eta: Array) -> Array:
    return np.log(np.maximum(ages, 1e-300))[:, None] - np.log(eta)


def log_likelihood(eta: Array | float, beta: Array | float, records: Sequence[Record]) -> Array:
    """ln of the probability of these records, for each pair of scale and shape (of one length)."""
    eta, beta = np.atleast_1d(eta), np.atleast_1d(beta)
    # Like parts on like machines often taught the same.
    plain = Counter((record.age, record.worn) for record in records if record.worn or not record.readings)
    ages, counts = np.array([age for age, _ in plain]), np.array(list(plain.values()), dtype=float)
    worn = np.array([worn for _, worn in plain], dtype=bool)
    density = np.log(beta / eta) + (beta - 1) * _log_ratio(ages[worn], eta)
    total = counts[worn] @ density - counts @ _hazard(ages, eta, beta)
    for record in records:
        if record.readings and not record.worn:
            total = total + _log_gauged(eta, beta, record)
    return total


def _log_gauged(eta: Array, beta: Array, record: Record) -> Array:
    gauged = _CombinedReadings.combine(record.readings)
    lives = gauged.lives()
    lives = np.append(max(record.age, lives[0] * 1e-6), lives[lives > record.age])
    hazard = _hazard(lives, eta, beta)
    mass = np.exp(-hazard[:-1]) * -np.expm1(-np.diff(hazard, axis=0))
    evidence = gauged.log_evidence(np.append(np.sqrt(lives[:-1] * lives[1:]), lives[-1]))
    likelihood = np.exp(evidence - evidence.max()) @ np.vstack([mass, np.exp(-hazard[-1:])])
    return np.log(likelihood + STUDENT_DEGREES)


@lru_cache(maxsize=512)
def learn(stated: Life, records: tuple[Record, ...] = ()) -> ExpectedLives:
    """The lives to be expected of the next part of a kind.

    stated: what was known of the kind before; records: one of each part of it that is evidence.
    """
    grid = _posterior(prior_of(stated), records)
    return _table(grid)


def prior_of(stated: Life) -> Prior:
    """The prior of scale and shape."""
    below, above = log(stated.median / stated.low), log(stated.high / stated.median)
    prior = _prior_of_unit_median(round(below, 6), round(above, 6))
    return prior._replace(middle=prior.middle + log(stated.median))


@lru_cache(maxsize=512)
def _prior_of_unit_median(below: float, above: float) -> Prior:
    """The prior whose expected lives have median 1 and the band exp(-below) to exp(above)."""
    # Imported at the first use, see spools/physics/ensemble.py.
    from scipy.optimize import least_squares

    halves = np.diff(np.log(HAZARDS))
    below, above = np.maximum([below, above], halves / (SCATTER_SHARE * HIGHEST_SHAPE))
    shape = max(USUAL_SHAPE, *(halves / (SCATTER_SHARE * np.array([below, above]))))
    middle = -log(HAZARDS[1]) / shape
    scatter = halves / shape
    spreads = np.sqrt(np.array([below, above]) ** 2 - scatter**2) / 1.2816
    ages = np.exp(np.array([-below, 0.0, above]))

    def missed(unknown: Array) -> Array:
        prior = Prior(unknown[0], exp(unknown[1]), exp(unknown[2]), log(shape))
        return _posterior(prior, ()).used_up_by(ages) - [0.1, 0.5, 0.9]

    start = [middle, *np.log(spreads)]
    solution = least_squares(missed, start, bounds=(np.subtract(start, 3), np.add(start, 3)), xtol=1e-12)
    return Prior(float(solution.x[0]), exp(solution.x[1]), exp(solution.x[2]), log(shape))


def _posterior(prior: Prior, records: tuple[Record, ...]) -> _ParameterGrid:
    """Weights on a grid that is narrowed, in a few rounds, to where they are."""
    middle = prior.middle
    log_ages = [log(record.age) for record in records if record.age > 0]
    reach = [prior.z(min(max(age, middle - FAR), middle + FAR)) for age in log_ages]
    box = [(min([-5.0, *(z - BEYOND for z in reach)]), max([5.0, *(z + BEYOND for z in reach)])), (-3.5, 3.5)]
    for turn in range(ROUNDS if records else 1):
        axes = [
            np.linspace(*edges, steps) for edges, steps in zip(box, (ETA_STEPS, SHAPE_STEPS), strict=True)
        ]
        z, shape_z = (axis.ravel() for axis in np.meshgrid(*axes, indexing="ij"))
        eta, beta = np.exp(prior.log_eta(z)), np.exp(prior.log_shape + SHAPE_SPREAD * shape_z)
        log_weight = log_likelihood(eta, beta, records) + _log_prior(z, shape_z)
        log_weight -= log_weight.max()
        likely = log_weight > -NEGLIGIBLE
        if turn < ROUNDS - 1 and records:
            box = [_around(axis, values[likely]) for axis, values in zip(axes, (z, shape_z), strict=True)]
    weight = np.exp(log_weight[likely])
    return _ParameterGrid(eta[likely], beta[likely], weight / weight.sum())


def _log_prior(z: Array, shape_z: Array) -> Array:
    """Student's t for the scale, so that a stated life that is far off is given up; normal for the shape."""
    return -(TAIL + 1) / 2 * np.log1p(z**2 / TAIL) - shape_z**2 / 2


def _around(axis: Array, likely: Array) -> tuple[float, float]:
    """The stretch of an axis that holds these of its values, and one step more at either end."""
    step = axis[1] - axis[0]
    return max(axis[0], likely.min() - step), min(axis[-1], likely.max() + step)


def _table(grid: _ParameterGrid) -> ExpectedLives:
    shortest = float((grid.eta * 1e-6 ** (1 / grid.beta)).min())
    longest = float((grid.eta * 30 ** (1 / grid.beta)).max())
    ages = np.geomspace(shortest, longest, TABLE_STEPS)
    hazard = _hazard(ages, grid.eta, grid.beta)
    used, survival = -np.expm1(-hazard) @ grid.weight, np.exp(-hazard) @ grid.weight
    medians = grid.eta * HAZARDS[1] ** (1 / grid.beta)
    order = np.argsort(medians)
    reached = np.cumsum(grid.weight[order]) - grid.weight[order] / 2
    low, middle, high = np.interp([0.1, 0.5, 0.9], reached, medians[order])
    return _expected(ages, used, survival, (float(low), float(middle), float(high)))


def _expected(
    ages: Array, used: Array, survival: Array, typical: tuple[float, float, float]
) -> ExpectedLives:
    """used and survival add up to 1; H is taken from the smaller of them, which rounding has not spoilt."""
    resolved = (used > 0) & (survival > 0)
    ages, used, survival = ages[resolved], used[resolved], survival[resolved]
    log_hazard = np.log(np.where(used < survival, -np.log1p(-np.minimum(used, 0.5)), -np.log(survival)))
    return ExpectedLives(
        tuple(np.log(ages).tolist()), tuple(np.maximum.accumulate(log_hazard).tolist()), typical
    )


def _interpolate(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    """As np.interp, without making arrays of a table that is asked for one value."""
    after = bisect_right(xs, x)
    if after in (0, len(xs)):
        return ys[0 if after == 0 else -1]
    before = after - 1
    return ys[before] + (ys[after] - ys[before]) / (xs[after] - xs[before]) * (x - xs[before])
