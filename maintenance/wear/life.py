"""The remaining life of a part at a given age, from any distribution of lives with two functions.

``Life`` is what somebody states of a kind of part: the median and the ages by which 10 % and 90 % are used
up. ``maintenance/wear/learning.py`` turns it, with the shop's own replacements, into a distribution.
"""

from dataclasses import dataclass
from typing import Protocol

SURE = 1e-9


@dataclass(frozen=True)
class Life:
    """Lives of a kind of part as stated, in the unit that it is counted in: median, band of 10 % and 90 %."""

    median: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not 0 < self.low <= self.median <= self.high:
            raise ValueError(f"a life needs 0 < low <= median <= high, got {self}")


class Lives(Protocol):
    """A distribution of lives."""

    def used_up_by(self, age: float) -> float:
        """Probability that a part is used up by this age, 0 to 1."""

    def age_when(self, probability: float) -> float:
        """The age by which this share of parts is used up; probability between 0 and 1, both excluded."""


@dataclass(frozen=True)
class Left:
    """The remaining life of a part in its unit (10 %, 50 %, 90 %), never below 0."""

    low: float
    median: float
    high: float


def probability_used_up(lives: Lives, age: float, ahead: float = 0.0, sound_at: float = 0.0) -> float:
    """Probability that a part of this age is used up before it has gone ``ahead`` further.

    sound_at: the age at which it was last seen to be sound, which it therefore survived. Not its present
    age: that nobody has complained is no inspection.
    """
    survived = 1 - lives.used_up_by(sound_at)
    if survived <= SURE:
        return 1.0 if age + ahead > sound_at else 0.0
    return min(1.0, max(0.0, (lives.used_up_by(age + ahead) - (1 - survived)) / survived))


def remaining(lives: Lives, age: float, sound_at: float = 0.0) -> Left:
    """The remaining life at this age, given that the part was sound at ``sound_at``."""
    before = lives.used_up_by(sound_at)

    def left(share: float) -> float:
        probability = min(1 - SURE, before + share * (1 - before))
        return max(0.0, lives.age_when(probability) - age)

    return Left(left(0.1), left(0.5), left(0.9))
