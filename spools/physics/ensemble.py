"""What is not known about a spool: members drawn from the published bands, and how to speak of them."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri
from scipy.stats import qmc

Array = NDArray[np.float64]

MEMBERS = 32
_Z = float(ndtri(0.95))


@dataclass(frozen=True)
class Band:
    """A positive number that is known within a band: low and high are its 5 % and 95 % quantiles.

    Drawn as a two-piece log-normal: the logarithm is normal on either side of the median, with the two
    sides' own widths. Raises ValueError unless 0 < low <= median <= high.
    """

    low: float
    median: float
    high: float

    def __post_init__(self) -> None:
        if not 0 < self.low <= self.median <= self.high:
            raise ValueError(f"a band needs 0 < low <= median <= high, not {self}")

    def at(self, probability: ArrayLike) -> Array:
        """Quantiles of the band."""
        z = ndtri(np.asarray(probability, dtype=float))
        side = np.where(z < 0, np.log(self.median / self.low), np.log(self.high / self.median))
        return self.median * np.exp(z / _Z * side)


def draw(bands: dict[str, Band], seed: str, members: int = MEMBERS) -> dict[str, Array]:
    """Members for each named number, (members,) each: scrambled Sobol points, the same for the same seed.

    The first member is the median of all, so that a screen can show the likely course.
    """
    digest = int.from_bytes(hashlib.sha256(seed.encode()).digest()[:8], "big")
    points = qmc.Sobol(len(bands), rng=np.random.default_rng(digest)).random(members)
    points[0] = 0.5
    return {name: band.at(points[:, i]) for i, (name, band) in enumerate(bands.items())}


def probability(values: ArrayLike, limit: float, weights: Array | None = None) -> float:
    """Share of the members above a limit."""
    over = np.asarray(values, dtype=float) > limit
    return float(np.average(over.astype(float), weights=weights))


def band(values: ArrayLike, weights: Array | None = None) -> tuple[float, float, float]:
    """The 10 %, 50 % and 90 % quantiles of the members: an 80 % band around the likely value."""
    low, middle, high = np.quantile(
        np.asarray(values, dtype=float), [0.1, 0.5, 0.9], weights=weights, method="inverted_cdf"
    )
    return float(low), float(middle), float(high)
