"""How long a drying takes, how dry it gets, how long that lasts. What caps the temperature is not here."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .air import Array
from .ensemble import probability
from .isotherm import Isotherm
from .state import WindingState, outermost_mean
from .winding import Lane, Surroundings, advance

HOUR_S = 3600.0


def floor(isotherm: Isotherm, rh: float) -> Array:
    """The water content that air of this humidity [0..1] leaves after any time, (members,) [kg/kg]."""
    return isotherm.equilibrium(rh)


@dataclass(frozen=True)
class Crossing:
    """When a lane crossed its limit, in hours, None where it did not by the last look.

    looks_h: hours, 0 first. contents: of the turns that count then, (looks, members) [kg/kg].
    state: after the last look.
    """

    hours: float | None
    looks_h: Array
    contents: Array
    state: WindingState


def hours_until(
    lanes: Sequence[Lane],
    limits: Sequence[float],
    masses_kg: Sequence[float | None],
    looks_h: Sequence[float],
    *,
    share: float = 0.2,
    below: bool,
    heat: bool = True,
) -> list[Crossing]:
    """When the turns of each lane that count get below (drying) or above (wetting) a water content.

    A lane counts as below while at most ``share`` of its members lie above the limit. Between two looks
    the members' quantile, which moves smoothly, tells the time.

    Parameters
    ----------
    lanes: each with one stretch of surroundings, taken as lasting; its duration does not matter.
    limits: [kg/kg], and masses_kg: of the outermost turns that count [kg], None for the wettest turns,
        wherever they are; one per lane.
    looks_h: when to look, rising [h].

    Returns: a Crossing per lane.
    """
    spans = np.diff([0.0, *looks_h]) * HOUR_S
    lasting = []
    for lane in lanes:
        (air,) = lane.surroundings
        stretches = [Surroundings(s, air.temperature_k, air.rh, air.moving_air) for s in spans.tolist()]
        lasting.append(Lane(lane.geometry, lane.material, lane.state, stretches))
    hours = np.array([0.0, *looks_h])
    found = []
    outcomes = advance(lasting, heat=heat, record=True)
    for lane, outcome, limit, mass_kg in zip(lanes, outcomes, limits, masses_kg, strict=True):
        profiles = np.concatenate([lane.state.profile()[None], outcome.profiles])
        contents = profiles.max(-1) if mass_kg is None else outermost_mean(profiles, lane.geometry, mass_kg)
        crossing = _crossing(contents, hours, limit, share, below)
        found.append(Crossing(crossing, hours, contents, outcome.state))
    return found


def _crossing(contents: Array, hours: Array, limit: float, share: float, below: bool) -> float | None:
    reached = [(probability(members, limit) <= share) == below for members in contents]
    if True not in reached:
        return None
    n = reached.index(True)
    if n == 0:
        return 0.0
    before, after = np.quantile(contents[n - 1 : n + 1], 1 - share, axis=1, method="higher")
    part = 1.0 if before == after else np.clip((limit - before) / (after - before), 0.0, 1.0)
    return float(hours[n - 1] + part * (hours[n] - hours[n - 1]))
