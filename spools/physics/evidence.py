"""Weighings as evidence about a spool: the likely members of its ensemble, and how its mass divides.

A weighed spool is filament + water + reel. For each member the physics gives the water; what is not known
of the rest is small and adds up, so it is taken as normal and integrated out:

    gross = (filament - printed) + water + reel + reel's water + error of the scale,

with the filament that came, the reel's mass, the water that a cardboard reel holds at 50 % RH, the error of
the printed grams, and what may have left unrecorded from one weighing to the next as unknowns. A pair of
weighings around a drying cancels all but the water: that is loss on drying, as in ASTM D6980 and ISO 15512.
A step that nothing explains (a print that was not recorded, an error on the scale) says nothing about the water.

The members are moved to where the evidence puts them by an ensemble smoother: in a few rounds [1], each letting
in its part of the evidence, their middle goes as far towards the masses that were read as the members' own
covariances between their numbers and the predicted masses say, and they draw together around it as little as the
evidence asks [2]. All members stay equally likely, and a weighing that says nothing leaves them where they are.
Weighing the first members by their likelihood instead leaves one or two of them after a few weighings on a good
scale, and intervals that are far too narrow.

References
----------
[1] Emerick, A. A. and Reynolds, A. C. (2013), Ensemble smoother with multiple data assimilation, Computers &
    Geosciences 55, 3-15.
[2] Hunt, B. R., Kostelich, E. J. and Szunyogh, I. (2007), Efficient data assimilation for spatiotemporal chaos:
    a local ensemble transform Kalman filter, Physica D 230, 112-126 (the symmetric square root).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from .air import Array
from .ensemble import interval

# The spread of a plus-or-minus, taken as a 90 % range.
OF_BAND = 1 / float(ndtri(0.95))
# A scale rounds to its step and repeats within half of it. Common practice, no source.
OF_STEP = float(np.sqrt(1 / 12 + 1 / 4))
# Printed grams are as right as the slicing was. Common practice, no source.
PRINTED_SD = 0.03
# The error of the model itself in the water that came or went, as benchmarks/moisture_calibration.py found.
MODEL_ERROR = 0.08
# How often the evidence is let in, a part each time.
ROUNDS = 4
# A weighing that is off by more than so many standard deviations has another reason than water.
TOO_FAR = 4.0
# So few members understate their own spread: they are set this much further apart, as benchmarks/moisture_calibration.py found.
WIDER = 1.05
# No member goes further than this from the middle of the spreads, in their standard deviations.
FURTHEST = 4.0


@dataclass(frozen=True)
class Weighings:
    """The readings of the scale in order, (n,) each.

    gross_kg; step_kg: the scale's; printed_kg: filament that had left by then, as recorded; loose_kg: the
    standard deviation of what may have left unrecorded since the weighing before; core_course: how much
    wetter than at 50 % RH a cardboard reel is, as a share of what it holds there (0 for other reels).
    """

    gross_kg: Array
    step_kg: Array
    printed_kg: Array
    loose_kg: Array
    core_course: Array


@dataclass(frozen=True)
class Load:
    """The rest of the mass before any weighing: likely values and standard deviations [kg].

    core_kg: with its water at 50 % RH, which is core_water_kg. printed_sd: as a share of the printed grams.
    """

    filament_kg: float
    filament_sd_kg: float
    core_kg: float
    core_sd_kg: float
    core_water_kg: float = 0.0
    core_water_sd_kg: float = 0.0
    printed_sd: float = PRINTED_SD


class Divided(NamedTuple):
    """How the mass at the last weighing divides, kg: quantiles 10, 50 and 90 % each.

    surely: the filament's quantiles 1 and 99 %.
    core: with its own water. printed_share: what really left, over the printed grams that were recorded.
    unexplained_kg: by how much each weighing is off what the one before makes likely, where nothing explains
    it, else 0, (n,).
    """

    filament: tuple[float, float, float]
    surely: tuple[float, float]
    water: tuple[float, float, float]
    core: tuple[float, float, float]
    printed_share: tuple[float, float, float]
    unexplained_kg: list[float]


# Water in the winding at each weighing, (n, members) [kg], of members given as points.
Predict = Callable[[Array], Array]


def assimilate(points: Array, water: Array, predict: Predict, weighings: Weighings, load: Load) -> Array:
    """Move members to where the weighings put them, by the ensemble smoother.

    Parameters
    ----------
    points : ndarray
        Members at the start as standard normal points, (members, dimensions).
    water : ndarray
        Predicted water in the winding for them [kg], (n, members).
    predict : callable
        Predicts the water for other points.
    weighings : Weighings
        The readings of the scale.
    load : Load
        The rest of the mass.

    Returns
    -------
    ndarray
        Members after the evidence, same shape as ``points``.
    """
    expected = _expected(weighings, load)
    weighings = _without_unexplained(water, weighings, load)
    error = ROUNDS * _covariance(water, weighings, load)
    for round_ in range(ROUNDS):
        if round_:
            water = predict(points)
        points = np.clip(_move(points, water, weighings.gross_kg - expected, error), -FURTHEST, FURTHEST)
    middle = points.mean(0)
    return np.clip(middle + WIDER * (points - middle), -FURTHEST, FURTHEST)


def _move(points: Array, water: Array, readings: Array, error: Array) -> Array:
    """Members after readings with errors of this covariance, by the symmetric square root [2]."""
    root = np.linalg.cholesky(error)
    scale = 1 / np.sqrt(len(points) - 1)
    middle, among = points.mean(0), water.mean(1)
    spread = scale * np.linalg.solve(root, water - among[:, None]).T
    axes, sizes, weights = np.linalg.svd(spread, full_matrices=False)
    toward = axes @ (sizes / (1 + sizes**2) * (weights @ np.linalg.solve(root, readings - among)))
    off = points - middle
    nearer = (axes * (1 / np.sqrt(1 + sizes**2) - 1)) @ (axes.T @ off)
    return middle + scale * (off.T @ toward) + off + nearer


def divide_mass(first_water_kg: Array, water_kg: Array, weighings: Weighings, load: Load) -> Divided:
    """How the last weighing divides, by the members' water (n, members) at the start and after moving."""
    unexplained = _unexplained(first_water_kg, weighings, load)
    weighings = _without_unexplained(first_water_kg, weighings, load)
    design, prior = _design(weighings), _prior(weighings, load)
    gain = np.linalg.solve(_covariance(first_water_kg, weighings, load), design @ prior).T
    residual = (weighings.gross_kg - _expected(weighings, load))[:, None] - water_kg
    means, covariance = (gain @ residual).T, prior - gain @ design @ prior
    z = ndtri((np.arange(21) + 0.5) / 21)

    def mix_members(start: float, **coefficients: float) -> Array:
        """Start + the unknowns times these, over all members and what they leave open."""
        row = np.zeros(len(prior))
        for name, value in coefficients.items():
            row[_UNKNOWNS.index(name) if name in _UNKNOWNS else slice(len(_UNKNOWNS), None)] = value
        sd = np.sqrt(np.maximum(0.0, row @ covariance @ row))
        return (start + (means @ row)[:, None] + sd * z).ravel()

    printed, course = float(weighings.printed_kg[-1]), float(weighings.core_course[-1])
    filament = mix_members(load.filament_kg - printed, filament=1, printed=-printed, unrecorded=-1)
    low, high = np.quantile(filament, [0.01, 0.99])
    return Divided(
        filament=interval(filament),
        surely=(float(low), float(high)),
        water=interval(water_kg[-1]),
        core=interval(mix_members(load.core_kg + load.core_water_kg * course, core=1, core_water=course)),
        printed_share=interval(mix_members(1.0, printed=1)),
        unexplained_kg=unexplained.tolist(),
    )


_UNKNOWNS = ("filament", "core", "core_water", "printed")  # and after them what left unrecorded, each time


def _expected(weighings: Weighings, load: Load) -> Array:
    """The readings of the scale without water in the winding."""
    dry = load.filament_kg - weighings.printed_kg + load.core_kg
    return dry + load.core_water_kg * weighings.core_course


def _design(weighings: Weighings) -> Array:
    """The contribution of each unknown to each weighing, (n, 4 + n)."""
    ones = np.ones(len(weighings.gross_kg))
    columns = np.stack([ones, ones, weighings.core_course, -weighings.printed_kg], axis=1)
    return np.concatenate([columns, -np.tri(len(ones))], axis=1)


def _prior(weighings: Weighings, load: Load) -> Array:
    """Their covariance before any weighing."""
    spread = [load.filament_sd_kg, load.core_sd_kg, load.core_water_sd_kg, load.printed_sd]
    return np.diag(np.square([*spread, *weighings.loose_kg]))


def _covariance(water_kg: Array, weighings: Weighings, load: Load) -> Array:
    """Of the weighings for given water: the unknowns, the scale and the model, (n, n).

    water_kg: the first members', (n, members).
    """
    moved = np.abs(water_kg - water_kg[:1]).mean(1)
    # How much filament is wound, and so how much water moves, is known no better than the reel.
    wound = np.maximum(weighings.gross_kg - load.core_kg, load.core_sd_kg)
    noise = (OF_STEP * weighings.step_kg) ** 2
    noise = noise + (MODEL_ERROR**2 + (load.core_sd_kg / wound) ** 2) * moved**2
    design = _design(weighings)
    return design @ _prior(weighings, load) @ design.T + np.diag(noise)


def _unexplained(water_kg: Array, weighings: Weighings, load: Load) -> Array:
    """By how much each weighing is off what was likely after the one before, where that is too much."""
    likely = _expected(weighings, load) + np.median(water_kg, axis=1)
    covariance = _covariance(water_kg, weighings, load) + np.atleast_2d(np.cov(water_kg, bias=True))
    # From each weighing to the next; the first one against what came.
    change = np.eye(len(likely)) - np.eye(len(likely), k=-1)
    off = change @ (weighings.gross_kg - likely)
    return np.where(off**2 > TOO_FAR**2 * np.diag(change @ covariance @ change.T), off, 0.0)


def _without_unexplained(water_kg: Array, weighings: Weighings, load: Load) -> Weighings:
    """The same with unexplained steps left wholly open, so that they say nothing of the water."""
    off = _unexplained(water_kg, weighings, load)
    return replace(weighings, loose_kg=np.maximum(weighings.loose_kg, 3 * np.abs(off)))


def cardboard_after(share: float, duration_s: float, temperature_k: float, rh: float) -> float:
    """Water of a cardboard reel after a stretch of constant air.

    It follows the air within half a day at room temperature, within an hour or two in a dryer. Common practice,
    no source.

    Parameters
    ----------
    share : float
        Water at the start, as a share of the water at 50 % RH.
    duration_s : float
        Duration [s].
    temperature_k : float
        Temperature [K].
    rh : float
        Relative humidity [0..1].

    Returns
    -------
    float
        Water at the end, as the same share.
    """
    lag_s = 12 * 3600 * 2 ** ((296.15 - temperature_k) / 15)
    return rh / 0.5 + (share - rh / 0.5) * float(np.exp(-duration_s / lag_s))
