"""How long a drying takes, how dry it can get, and how long that lasts. Caps are not the physics' business."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .ensemble import probability
from .isotherm import Isotherm
from .winding import Lane, State, Surroundings, advance, outermost

Array = NDArray[np.float64]

HOUR_S = 3600.0


def floor(isotherm: Isotherm, rh: float) -> Array:
    """The water content below which air of that humidity cannot dry, kg/kg, per member."""
    return isotherm.equilibrium(rh)


@dataclass(frozen=True)
class Crossing:
    """Hours until the share of members above the limit has crossed; None if it does not by the last look."""

    hours: float | None
    states: list[State]


def hours_until(
    lanes: Sequence[Lane],
    limits: Sequence[float],
    masses_kg: Sequence[float],
    looks_h: Sequence[float],
    *,
    share: float = 0.2,
    below: bool,
    heat: bool = True,
) -> list[Crossing]:
    """When the outermost mass of each lane gets below (drying) or above (wetting) a water content.

    Each lane has one surroundings, taken as lasting; it is looked at after ``looks_h`` hours (rising). It
    counts as below while at most ``share`` of the members lie above the limit. Between two looks the share
    of the way is taken from the members' quantile, which moves smoothly.
    """
    spans = np.diff([0.0, *looks_h])
    prolonged = [
        Lane(
            lane.geometry,
            lane.material,
            lane.state,
            [
                Surroundings(h * HOUR_S, air.temperature_k, air.rh, air.moving_air)
                for air in lane.surroundings[:1]
                for h in spans
            ],
        )
        for lane in lanes
    ]
    found = []
    for lane, result, limit, mass in zip(
        lanes, advance(prolonged, heat=heat), limits, masses_kg, strict=True
    ):
        values = [outermost(state, lane.geometry, mass) for state in [lane.state, *result.after_each]]
        found.append(Crossing(_crossing(values, [0.0, *looks_h], limit, share, below), result.after_each))
    return found


def _crossing(
    values: list[Array], hours: list[float], limit: float, share: float, below: bool
) -> float | None:
    reached = [(probability(v, limit) <= share) == below for v in values]
    if reached[0]:
        return 0.0
    if True not in reached:
        return None
    n = reached.index(True)
    before, after = (np.quantile(values[i], 1 - share) for i in (n - 1, n))
    part = 1.0 if before == after else np.clip((limit - before) / (after - before), 0.0, 1.0)
    return float(hours[n - 1] + part * (hours[n] - hours[n - 1]))
