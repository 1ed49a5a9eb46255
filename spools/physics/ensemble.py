"""What is not known about a spool: members drawn from published spreads, and their intervals."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

Array = NDArray[np.float64]

MEMBERS = 32
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
        """The value at a standard normal deviate, any shape."""
        z = np.asarray(z, dtype=float)
        side = np.where(z < 0, np.log(self.median / self.low), np.log(self.high / self.median))
        return self.median * np.exp(z / _Z * side)


def normal_points(count: int, dimensions: int, seed: str) -> Array:
    """Standard normal points, (count, dimensions): scrambled Sobol, the same for the same seed.

    In random order: sets of points in Sobol's own order would go hand in hand, whatever their seeds.
    """
    # Imported when first wanted: it takes as long as starting a program does, and not every process draws.
    from scipy.stats import qmc

    digest = int.from_bytes(hashlib.sha256(seed.encode()).digest()[:8], "big")
    rng = np.random.default_rng(digest)
    points = rng.permutation(qmc.Sobol(dimensions, rng=rng).random(count))
    return ndtri(np.clip(points, 1e-9, 1 - 1e-9))


def first_points(dimensions: int, seed: str, members: int = MEMBERS) -> Array:
    """The members that a spool starts with, as standard normal points (members, dimensions).

    The first one is the median of all, so that a screen can show the likely course.
    """
    points = normal_points(members, dimensions, seed)
    points[0] = 0.0
    return points


def draw(spreads: dict[str, Spread], points: Array) -> dict[str, Array]:
    """Members for each named number, (members,) each, at the points (members, number of spreads)."""
    return {name: spread.at(points[:, i]) for i, (name, spread) in enumerate(spreads.items())}


def probability(values: ArrayLike, limit: float) -> float:
    """Share of the members above a limit."""
    return float((np.asarray(values, dtype=float) > limit).mean())


def interval(values: ArrayLike) -> tuple[float, float, float]:
    """The 10 %, 50 % and 90 % quantiles of the members: the 80 % range around the likely value."""
    low, middle, high = np.quantile(np.asarray(values, dtype=float), [0.1, 0.5, 0.9], method="hazen")
    return float(low), float(middle), float(high)


def intervals(values: Array) -> Array:
    """interval() of each row of members, (rows, 3)."""
    return np.quantile(values, [0.1, 0.5, 0.9], axis=-1, method="hazen").T
