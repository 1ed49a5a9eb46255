"""How long a part lasts: a distribution of lives, and what is left of one at a given age.

The life of a kind is stated as three numbers: the median and the ages by which 10 % and 90 % are used up.
The distribution passes through all three: log-normal, with one spread below the median and another above
it. Whatever is known of a life (the shop's own replacements, later) is told by the same two functions,
``used_up_by`` and ``age_when``, so the rest does not depend on the kind of distribution.
"""

from dataclasses import dataclass
from math import exp, log
from statistics import NormalDist

NORMAL = NormalDist()
EDGE = NORMAL.inv_cdf(0.9)
# A life stated without a band is not that certain: at least one percent of spread.
LEAST_SPREAD = 0.01
SURE = 1e-9


@dataclass(frozen=True)
class Life:
    """Lives of a kind of part, in the unit that it is counted in: median, and the band of 10 % and 90 %."""

    median: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not 0 < self.low <= self.median <= self.high:
            raise ValueError(f"a life needs 0 < low <= median <= high, got {self}")

    def used_up_by(self, age: float) -> float:
        """Probability that a part is used up by this age, 0 to 1."""
        if age <= 0:
            return 0.0
        distance = log(age) - log(self.median)
        return NORMAL.cdf(distance / self._spread(distance < 0))

    def age_when(self, probability: float) -> float:
        """The age by which this share of parts is used up; probability between 0 and 1, both excluded."""
        z = NORMAL.inv_cdf(probability)
        return self.median * exp(z * self._spread(z < 0))

    def _spread(self, below: bool) -> float:
        ratio = self.median / self.low if below else self.high / self.median
        return max(LEAST_SPREAD, log(ratio) / EDGE)


@dataclass(frozen=True)
class Left:
    """What is left of a part in the unit of its life (10 %, 50 %, 90 %), never below 0."""

    low: float
    median: float
    high: float


def probability_used_up(life: Life, age: float, ahead: float = 0.0, sound_at: float = 0.0) -> float:
    """Probability that a part of this age is used up before it has gone ``ahead`` further.

    sound_at: the age at which it was last seen to be sound, which it therefore survived. Not its present
    age: that nobody has complained is no inspection.
    """
    survived = 1 - life.used_up_by(sound_at)
    if survived <= SURE:
        return 1.0 if age + ahead > sound_at else 0.0
    return min(1.0, max(0.0, (life.used_up_by(age + ahead) - (1 - survived)) / survived))


def remaining(life: Life, age: float, sound_at: float = 0.0) -> Left:
    """What is left at this age, given that the part was sound at ``sound_at``."""
    before = life.used_up_by(sound_at)

    def left(share: float) -> float:
        probability = min(1 - SURE, before + share * (1 - before))
        return max(0.0, life.age_when(probability) - age)

    return Left(left(0.1), left(0.5), left(0.9))
