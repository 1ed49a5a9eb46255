"""Lasting damage of hot air to polyamides: hours at a temperature as shares of a budget.

The budget is derived from moulders' published drying practice (fixtures/reference/thermal_values.csv, PA
natural or light, air heat budget): 24 h a run at 80 °C, 8 h at 90 °C, 3 h at 100 °C, and about 100 h at 80 °C
in a spool's life. In between the hours fall in a straight line on a logarithmic scale; below 80 and above
100 °C the nearest line is taken on, which no source covers. For no other polymer is a budget published.
"""

from collections.abc import Iterable

import numpy as np

from .air import ZERO_C

RUN_K = tuple(celsius + ZERO_C for celsius in (80.0, 90.0, 100.0))
RUN_HOURS = (24.0, 8.0, 3.0)
LIFE_HOURS = 100.0
# Above it only vacuum or dry nitrogen will do.
HOTTEST_IN_AIR_K = RUN_K[-1]


def run_hours(temperature_k: float) -> float:
    """Hours at a temperature that use up the budget of one run.

    Parameters
    ----------
    temperature_k : float
        Temperature [K].

    Returns
    -------
    float
        Hours [h].
    """
    logs = np.log(RUN_HOURS)
    n = 1 if temperature_k < RUN_K[1] else 2
    slope = (logs[n] - logs[n - 1]) / (RUN_K[n] - RUN_K[n - 1])
    return float(np.exp(logs[n] + slope * (temperature_k - RUN_K[n])))


def run_share(stages: Iterable[tuple[float, float]]) -> float:
    """Share of one run's budget that stages use up together.

    Parameters
    ----------
    stages : iterable of (float, float)
        Temperatures [K] with their hours.

    Returns
    -------
    float
        Share; above 1 is too much.
    """
    return sum(hours / run_hours(temperature_k) for temperature_k, hours in stages)


def life_share(stages: Iterable[tuple[float, float]]) -> float:
    """Share of a spool's budget for life that all stages of its runs use up together.

    Parameters
    ----------
    stages : iterable of (float, float)
        Temperatures [K] with their hours.

    Returns
    -------
    float
        Share; above 1 is too much.
    """
    return run_share(stages) * RUN_HOURS[0] / LIFE_HOURS
