"""The uncertainty of a spool: members drawn from published spreads, and their intervals."""

import hashlib
from dataclasses import dataclass
from functools import lru_cache

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
    points = rng.permutation(qmc.Sobol(dimensions, rng=rng).random(count))
    return ndtri(np.clip(points, 1e-9, 1 - 1e-9))


def first_points(dimensions: int, seed: str, members: int = MEMBERS) -> Array:
    """The members that a spool starts with, as standard normal points.

    The first one is the median of all, so that a screen can show the likely course.

    Parameters
    ----------
    dimensions : int
        Uncertain numbers.
    seed : str
        Any text, such as the code of a spool.
    members : int
        Number of members.

    Returns
    -------
    ndarray
        Points, (members, dimensions).
    """
    points = normal_points(members, dimensions, seed)
    points[0] = 0.0
    return points


@lru_cache(maxsize=16384)
def further_points(name: str, count: int = MEMBERS) -> Array:
    """One more number of each member, such as the air that flows through a dryer: the same for the same name.

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
    shares = (np.random.default_rng(digest).permutation(count - 1) + 0.5) / (count - 1)
    points = np.concatenate([[0.0], ndtri(shares)])
    points.flags.writeable = False
    return points


def draw(spreads: dict[str, Spread], points: Array) -> dict[str, Array]:
    """Members of each named number.

    Parameters
    ----------
    spreads : dict of str to Spread
        The spreads by name.
    points : ndarray
        Standard normal points, (members, number of spreads).

    Returns
    -------
    dict of str to ndarray
        Values by name, (members,) each.
    """
    return {name: spread.at(points[:, i]) for i, (name, spread) in enumerate(spreads.items())}


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
