"""Control charts: does a number that is measured again and again still come from the same state?

EWMA and tabular CUSUM as in the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 and 6.3.2.3. Both
see a slow slide long before a single value stands out. The first START values after a part was fitted say
what is usual; the chart begins with the next one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Values that make the target: few, since a part that wears does not stay as it was. Common practice, no
# source. The price: of histories in which nothing changes, one in twenty signals within ten values.
START = 3
# The handbook's example of an EWMA: weight of the newest value, and limits at three standard deviations.
EWMA_WEIGHT, EWMA_WIDTH = 0.3, 3.0
# Tabular CUSUM in standard deviations: the usual choice to see a shift of one (from memory).
CUSUM_SLACK, CUSUM_DECISION = 0.5, 5.0


@dataclass(frozen=True, eq=False)
class ControlChart:
    """The charted values after the start, in the unit of the values.

    signal, for each value: 1 when a chart says that it has risen, -1 fallen, 0 neither.
    """

    target: float
    sigma: float
    values: Array
    ewma: Array
    ewma_low: float
    ewma_high: float
    cusum_high: Array
    cusum_low: Array
    decision: float
    signal: NDArray[np.int64]

    @property
    def onset(self) -> int:
        """Index of the first value of the present rise: after the CUSUM was last at 0."""
        at_rest = np.flatnonzero(self.cusum_high == 0)
        return int(at_rest[-1]) + 1 if at_rest.size else 0


def ewma(values: Sequence[float] | Array, start: float, weight: float = EWMA_WEIGHT) -> Array:
    """Exponentially weighted moving average: z_i = weight x_i + (1 - weight) z_(i-1), z_0 = start."""
    averages, last = [], start
    for value in values:
        last = weight * value + (1 - weight) * last
        averages.append(last)
    return np.array(averages)


def ewma_limits(target: float, sigma: float, weight: float = EWMA_WEIGHT) -> tuple[float, float]:
    """Steady-state limits of an EWMA: target -+ 3 sigma sqrt(weight / (2 - weight))."""
    reach = EWMA_WIDTH * sigma * (weight / (2 - weight)) ** 0.5
    return target - reach, target + reach


def cusum(values: Sequence[float] | Array, target: float, slack: float) -> tuple[Array, Array]:
    """Tabular CUSUM, high and low side: what lies beyond target +- slack adds up, and never falls below 0."""
    high, low, sums = 0.0, 0.0, []
    for value in values:
        high = max(0.0, high + value - target - slack)
        low = max(0.0, low + target - slack - value)
        sums.append((high, low))
    sums_by_side = np.array(sums).reshape(-1, 2)
    return sums_by_side[:, 0], sums_by_side[:, 1]


def control_chart(values: Sequence[float], uncertainties: Sequence[float]) -> ControlChart | None:
    """The chart of successive values with their standard uncertainties; None until one follows the start.

    Target: the mean of the start. Standard deviation: the measurement's, or the start's own where that is
    larger; widened, since the mean of a few is itself uncertain.
    """
    if len(values) <= START:
        return None
    measured = np.asarray(values, float)
    first = measured[:START]
    single_sigma = max(float(np.sqrt(np.mean(np.square(uncertainties[:START])))), float(first.std(ddof=1)))
    target, sigma = float(first.mean()), single_sigma * (1 + 1 / START) ** 0.5
    later = measured[START:]
    averages = ewma(later, target)
    low, high = ewma_limits(target, sigma)
    sum_high, sum_low = cusum(later, target, CUSUM_SLACK * sigma)
    decision = CUSUM_DECISION * sigma
    risen = (averages > high) | (sum_high > decision)
    fallen = (averages < low) | (sum_low > decision)
    return ControlChart(
        target=target,
        sigma=sigma,
        values=later,
        ewma=averages,
        ewma_low=low,
        ewma_high=high,
        cusum_high=sum_high,
        cusum_low=sum_low,
        decision=decision,
        signal=risen.astype(int) - (fallen & ~risen).astype(int),
    )


def reached_after(days: Sequence[float], values: Sequence[float], limit: float) -> float | None:
    """The day on which a straight line through the values reaches ``limit``; None when it does not rise."""
    slope, at_zero = np.polyfit(days, values, 1)
    return float((limit - at_zero) / slope) if slope > 0 else None
