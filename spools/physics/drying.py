"""Duration of a drying, the content that it reaches, and how long that lasts; without temperature caps."""

import math
from collections.abc import Sequence

import numpy as np

from .air import Array
from .isotherm import Isotherm
from .winding import Lane, advance_until_crossed

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


def hours_until(
    lanes: Sequence[Lane],
    limits: Sequence[Sequence[float]],
    masses_kg: Sequence[float | None],
    looks_h: Sequence[float],
    *,
    share: float = 0.2,
    below: bool,
    heat: bool = True,
    other_share: float | None = None,
) -> list[list[float | None]]:
    """Hours until the counted turns of each lane are below (drying) or above (wetting) water contents.

    Parameters
    ----------
    lanes : sequence of Lane
        Each with one stretch of surroundings, taken as lasting; its duration does not matter.
    limits : sequence of sequence of float
        Limits [kg/kg], one or several for each lane.
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
    other_share : float, optional
        A share that is passed on the way, larger if below; its hours follow those of ``share``.

    Returns
    -------
    list of list of float or None
        For each lane the hours to each of its limits [h]; None where it did not cross it by the last look.

    Notes
    -----
    Between two computed hours the time follows from the members' quantile, which moves smoothly.
    """
    return [
        _follow(lane, lane_limits, mass_kg, looks_h, share, other_share, below, heat)
        for lane, lane_limits, mass_kg in zip(lanes, limits, masses_kg, strict=True)
    ]


def _follow(
    lane: Lane,
    limits: Sequence[float],
    mass_kg: float | None,
    looks_h: Sequence[float],
    share: float,
    other_share: float | None,
    below: bool,
    heat: bool,
) -> list[float | None]:
    looks_s = [hours * HOUR_S for hours in looks_h]
    contents = advance_until_crossed(lane, looks_s, mass_kg, limits, share, below=below, heat=heat)
    hours = np.array([0.0, *looks_h])
    shares = [share] if other_share is None else [share, other_share]
    return [crossing(contents, hours, limit, each, below) for each in shares for limit in limits]


def crossing(contents: Array, hours: Array, limit: float, share: float, below: bool) -> float | None:
    """The hour at which members cross a limit.

    Parameters
    ----------
    contents : ndarray
        Contents at each hour, (hours, members).
    hours : ndarray
        Hours, rising [h].
    limit, share, below
        As for hours_until, the limit in the contents' unit.

    Returns
    -------
    float or None
        Hours, between two of them by the members' quantile; None: not by the last of them.
    """
    over = (contents > limit).sum(axis=1)
    reached = (over <= share * contents.shape[1]) == below
    n = int(reached.argmax())
    if not reached[n]:
        return None
    if n == 0:
        return 0.0
    # The quantile of which all members above it are as many as may be.
    place = math.ceil((contents.shape[1] - 1) * (1 - share))
    before, after = np.sort(contents[n - 1 : n + 1], axis=1)[:, place].tolist()
    part = 1.0 if before == after else min(max((limit - before) / (after - before), 0.0), 1.0)
    return float(hours[n - 1] + part * (hours[n] - hours[n - 1]))
