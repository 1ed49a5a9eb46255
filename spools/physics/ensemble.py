"""The uncertainty of a spool: members whose numbers have names, drawn from published spreads, and their intervals."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

Array = NDArray[np.float64]

MEMBERS = 32
# How many numbers members start with at most.
FIRST_NUMBERS = 6
# After so many reorderings a further number correlates by less than 0.05 with each of those.
REORDERINGS = 8
# The draw of further_points() that things of a kind share first: of the first 60, one whose drying plans with 32 members are
# nearest to those with 2,048 (docs/decisions/054-unknown-air-and-isotherms.md).
SHARED_DRAW = 3
_Z = float(ndtri(0.95))


@dataclass(frozen=True)
class Spread:
    """A positive number that is known within a spread: low and high are its 5 % and 95 % quantiles.

    Drawn as a two-piece log-normal: the logarithm is normal on either side of the median, with the two
    sides' own widths. Raises ValueError unless 0 < low <= median <= high.
    """

    low: float
    median: float
    high: float

    def __post_init__(self) -> None:
        if not 0 < self.low <= self.median <= self.high:
            raise ValueError(f"a spread needs 0 < low <= median <= high, not {self}")

    def at(self, z: ArrayLike) -> Array:
        """The value at a standard normal deviate.

        Parameters
        ----------
        z : array_like
            Deviates, any shape.

        Returns
        -------
        ndarray
            Values, same shape.
        """
        z = np.asarray(z, dtype=float)
        side = np.where(z < 0, np.log(self.median / self.low), np.log(self.high / self.median))
        return self.median * np.exp(z / _Z * side)


@dataclass(frozen=True)
class Between:
    """A positive number that lies between two ends; half of its members lie on either side of the middle.

    On each side its logarithm is uniform. Raises ValueError unless 0 < low <= middle <= high.
    """

    low: float
    middle: float
    high: float

    def __post_init__(self) -> None:
        if not 0 < self.low <= self.middle <= self.high:
            raise ValueError(f"a number between two ends needs 0 < low <= middle <= high, not {self}")

    def at(self, z: ArrayLike) -> Array:
        """The value at a standard normal deviate.

        Parameters
        ----------
        z : array_like
            Deviates, any shape.

        Returns
        -------
        ndarray
            Values, same shape.
        """
        return np.exp(np.interp(ndtr(z), [0, 0.5, 1], np.log([self.low, self.middle, self.high])))


def normal_points(count: int, dimensions: int, seed: str) -> Array:
    """Standard normal points from a scrambled Sobol sequence, the same for the same seed.

    They are in random order: sets of points in Sobol's own order would be correlated, whatever their seeds.

    Parameters
    ----------
    count : int
        Number of points.
    dimensions : int
        Numbers of each point.
    seed : str
        Any text.

    Returns
    -------
    ndarray
        Points, (count, dimensions).
    """
    # Imported when first wanted: it takes as long as starting a program does, and not every process draws.
    from scipy.stats import qmc

    digest = int.from_bytes(hashlib.sha256(seed.encode()).digest()[:8], "big")
    rng = np.random.default_rng(digest)
    balanced = qmc.Sobol(dimensions, rng=rng).random_base2((count - 1).bit_length())
    points = rng.permutation(balanced[:count])
    return ndtri(np.clip(points, 1e-9, 1 - 1e-9))


@lru_cache(maxsize=16384)
def further_points(name: str, count: int = MEMBERS) -> Array:
    """One more number of each member, such as the air that flows through a dryer: the same for the same name.

    Its ranks are shuffled until it hardly correlates with the numbers that members start with.

    Parameters
    ----------
    name : str
        Names the number.
    count : int
        Number of members.

    Returns
    -------
    ndarray
        Standard normal deviates, one from each of equally likely ranges, (members,); read only; 0 for the
        first member.
    """
    digest = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")
    scores = ndtri((np.arange(count - 1) + 0.5) / (count - 1))
    points = np.random.default_rng(digest).permutation(scores)
    first = _first_points(count)[1:]
    for _ in range(REORDERINGS):
        points -= first @ np.linalg.lstsq(first, points, rcond=None)[0]
        points[points.argsort()] = scores
    points = np.concatenate([[0.0], points])
    points.flags.writeable = False
    return points


@dataclass(frozen=True, eq=False)
class Members:
    """The members of an ensemble as standard normal points, a column for each named number.

    A number "kind #n" is that of the n-th thing of a kind, such as a dryer. All things of a kind that have no column
    share one, so that like things have like answers; a thing gets a column of its own when a weighing may teach
    its number. Each is equal to itself alone.
    """

    names: tuple[str, ...]
    points: Array

    def point(self, name: str) -> Array:
        """The deviates of one number, (members,): its column, or further_points where it has none."""
        if name in self.names:
            return self.points[:, self.names.index(name)]
        kind, _, number = name.partition(" #")
        if number:
            with_columns = sum(other.startswith(f"{kind} #") for other in self.names)
            name = f"{kind} {SHARED_DRAW + with_columns}"
        return further_points(name, len(self.points))

    def with_columns(self, names: Iterable[str]) -> Members:
        """The same with columns for these numbers, too."""
        members = self
        for name in names:
            if name not in members.names:
                points = np.column_stack([members.points, members.point(name)])
                members = Members((*members.names, name), points)
        return members


@lru_cache(maxsize=64)
def first_members(names: tuple[str, ...], count: int = MEMBERS) -> Members:
    """The members before any evidence: the same for every spool.

    So two spools with the same facts have the same answers, to the bit. The first member is the median of all,
    so that a screen can show the likely course. The numbers are uncorrelated among the members, for the smoother
    (evidence.py) would take a chance correlation for knowledge.

    Parameters
    ----------
    names : tuple of str
        The uncertain numbers.
    count : int
        Number of members.

    Returns
    -------
    Members
        The members; their points are read only.
    """
    if len(names) > FIRST_NUMBERS:
        raise ValueError(f"members start with at most {FIRST_NUMBERS} numbers, not {len(names)}")
    return Members(names, _first_points(count)[:, : len(names)])


@lru_cache(maxsize=8)
def _first_points(count: int) -> Array:
    """The points of first_members(), (count, FIRST_NUMBERS)."""
    points = normal_points(count, FIRST_NUMBERS, "members")
    points[int((points**2).sum(1).argmin())] = points[0]
    points[0] = 0.0
    # Fewer members than numbers are always correlated.
    if count > FIRST_NUMBERS + 1:
        points[1:] -= points[1:].mean(0)
        # The symmetric square root moves the points least.
        values, vectors = np.linalg.eigh(points.T @ points / count)
        points = points @ (vectors / np.sqrt(values)) @ vectors.T
    points.flags.writeable = False
    return points


def probability(values: ArrayLike, limit: float) -> float:
    """Share of the members above a limit.

    Parameters
    ----------
    values : array_like
        Values of the members.
    limit : float
        Limit in the same unit.

    Returns
    -------
    float
        Share [0..1].
    """
    return float((np.asarray(values, dtype=float) > limit).mean())


def interval(values: ArrayLike) -> tuple[float, float, float]:
    """The 10 %, 50 % and 90 % quantiles of the members: the 80 % range around the likely value.

    Parameters
    ----------
    values : array_like
        Values of the members.

    Returns
    -------
    tuple of float
        The three quantiles.
    """
    low, middle, high = np.quantile(np.asarray(values, dtype=float), [0.1, 0.5, 0.9], method="hazen")
    return float(low), float(middle), float(high)


def intervals(values: Array) -> Array:
    """interval() of each row of members.

    Parameters
    ----------
    values : ndarray
        Values, (rows, members).

    Returns
    -------
    ndarray
        Quantiles, (rows, 3).
    """
    return np.quantile(values, [0.1, 0.5, 0.9], axis=-1, method="hazen").T
