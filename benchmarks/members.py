"""Members whose numbers have names, the same for every spool, for trials of the moisture's ranges."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from spools.physics.air import Array
from spools.physics.ensemble import MEMBERS, further_points, normal_points


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


@dataclass(frozen=True)
class Members:
    """The members of an ensemble as standard normal points, a column for each named number."""

    names: tuple[str, ...]
    points: Array

    def point(self, name: str) -> Array:
        """The deviates of one number, (members,): its column, or first_points where it has none."""
        if name in self.names:
            return self.points[:, self.names.index(name)]
        return further_points(name, len(self.points))

    def with_columns(self, names: Iterable[str]) -> Members:
        """The same with columns for these numbers, too."""
        new = [name for name in names if name not in self.names]
        columns = [self.point(name) for name in new]
        return Members((*self.names, *new), np.column_stack([self.points, *columns]))


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
    points = normal_points(count, len(names), "members")
    points[int((points**2).sum(1).argmin())] = points[0]
    points[0] = 0.0
    points[1:] -= points[1:].mean(0)
    # The symmetric square root moves the points least.
    values, vectors = np.linalg.eigh(points.T @ points / count)
    points = points @ (vectors / np.sqrt(values)) @ vectors.T
    points.flags.writeable = False
    return Members(names, points)
