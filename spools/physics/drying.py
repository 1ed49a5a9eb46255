"""Duration of a drying, the content that it reaches, and how long that lasts; without temperature caps."""

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
    """Water content that air leaves after any time.

    Parameters
    ----------
    isotherm : Isotherm
        The isotherm, of one or of all members.
    rh : float
        Relative humidity [0..1].

    Returns
    -------
    ndarray
        Content [kg/kg], (members,).
    """
    return isotherm.equilibrium(rh)


@dataclass(frozen=True)
class Crossing:
    """The time at which a lane crossed its limit, in hours; None where it did not by the last look.

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
    """Hours until the counted turns of each lane are below (drying) or above (wetting) a water content.

    Parameters
    ----------
    lanes : sequence of Lane
        Each with one stretch of surroundings, taken as lasting; its duration does not matter.
    limits : sequence of float
        Limits [kg/kg], one for each lane.
    masses_kg : sequence of float or None
        Mass of the outermost turns that count [kg]; None: the wettest turns, wherever they are.
    looks_h : sequence of float
        Hours at which the content is computed, rising [h].
    share : float
        A lane counts as below while at most this share of its members lies above the limit.
    below : bool
        Whether the content falls below the limit or rises above it.
    heat : bool
        As for winding.advance.

    Returns
    -------
    list of Crossing
        One for each lane.

    Notes
    -----
    Between two computed hours the time follows from the members' quantile, which moves smoothly.
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
