"""Flow check: blobs of one commanded length are extruded at rising rates and weighed.

The mass missing against the slow reference is the loss: filament that the drive did not push. Losses are
fractions, 0 to 1. With r the smallest step of the scale, each mass is a gross less a tare reading:

    u(m)^2 = 2 r^2/12 + s^2/n,    u(loss) = (1 - loss) sqrt((u(m)/m)^2 + (u(m_ref)/m_ref)^2)

s is the scatter of the n repeats. The filament's diameter and density are common to all blobs of a check, so
they cancel in the loss; they stay in what the slow reference lacks against the commanded mass.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import floor, isfinite, pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maintenance import limits
from spools.statements import Statement

Array = NDArray[np.float64]

# How well a catalogue's density fits the very spool. From memory: grades of a polymer differ by 1 to 2 %.
DENSITY_SHARE = 0.02
# Scatter of a blob's mass where nothing was repeated. Common practice, no source.
ASSUMED_SCATTER = 0.005
# 10 and 90 % of a normal distribution, as for all bands.
EDGE = 1.2816
# A loss or difference counts as real above this many standard uncertainties.
SIGNIFICANT = 2.0
# The losses at which usable flow is reported.
LIMITS = (0.05, 0.10)
# u(loss) from the scale above which 5 % cannot be distinguished from zero, and up to which a check is good.
COARSEST_RESOLUTION, GOOD_RESOLUTION = LIMITS[0] / SIGNIFICANT, 0.01
# Rounded to two digits this is still good.
GOOD_ENOUGH = 1.05 * GOOD_RESOLUTION
# The longest blob that may be asked for, mm of filament.
LONGEST_MM = limits.BLOB_MM.high
# Checks and jobs of temperatures further apart are not compared: a hotter melt flows more easily. Common
# practice, no source.
SAME_C = 5.0
LEAST_RATES, MOST_RATES, MOST_REPEATS = 3, 12, 10
# A usual line, mm: its flow over its width and height is the speed of the nozzle. The rounded edges of a real
# line make it faster by a tenth, so this is on the safe side.
LINE_MM, LAYER_MM = 0.45, 0.2
# Flows that a printer may have, mm3/s.
SLOWEST, FASTEST = 0.01, 500.0


class CheckRefused(ValueError):
    """An impossible check. field: the input that is wrong. code: names the reason; statement: it in words, with values."""

    def __init__(self, field: str, code: str, **values: Any) -> None:
        super().__init__(code)
        self.field, self.code = field, code
        self.statement = Statement(f"flow_refusal.{code}", values)

    def __str__(self) -> str:
        return self.statement.sentence


@dataclass(frozen=True)
class CheckSetup:
    """The setup that all blobs of a check share: filament length, diameter, density, the scale's step."""

    length_mm: float
    diameter_mm: float
    diameter_tolerance_mm: float
    density_g_cm3: float
    resolution_g: float

    @property
    def area_mm2(self) -> float:
        return pi * self.diameter_mm**2 / 4

    @property
    def commanded_g(self) -> float:
        """m = pi d^2 L rho / 4: 0.2983 g for 100 mm of 1.75 mm PLA."""
        return self.area_mm2 * self.length_mm * self.density_g_cm3 / 1000

    @property
    def heaviest_g(self) -> float:
        """The most that a blob can weigh: the thickest, densest filament, and the scale's worst reading."""
        thickest = (1 + self.diameter_tolerance_mm / self.diameter_mm) ** 2
        return self.commanded_g * thickest * (1 + DENSITY_SHARE) + self.resolution_g

    @property
    def reading_u_g(self) -> float:
        """Standard uncertainty of one mass from the scale's step: two readings, rectangular."""
        return self.resolution_g * sqrt(2 / 12)

    @property
    def loss_u(self) -> float:
        """Standard uncertainty of a small loss from the scale alone: known before anything is extruded."""
        return sqrt(2) * self.reading_u_g / self.commanded_g

    def length_for_mm(self, loss_u: float) -> float:
        """Length per blob at which the scale alone gives this uncertainty of the loss."""
        return self.length_mm * self.loss_u / loss_u


@dataclass(frozen=True)
class RateMasses:
    """The blobs of one rate, g."""

    flow_mm3_s: float
    masses_g: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class FlowCurve:
    """An evaluated check, an entry per rate; the first is the reference, whose loss is 0 by definition.

    reading_u_g: of one mass, from the scale. scatter_g: of the repeats, not a number where there are none.
    fitted: the losses made to rise with the flow (isotonic regression), with the band of 10 and 90 %. short:
    what the reference lacks against the commanded mass; there diameter and density are uncertain, too.
    """

    flows_mm3_s: Array
    masses_g: Array
    reading_u_g: float
    scatter_g: Array
    losses: Array
    loss_u: Array
    fitted: Array
    fitted_low: Array
    fitted_high: Array
    short: float
    short_u: float

    @property
    def tested_mm3_s(self) -> float:
        return float(self.flows_mm3_s[-1])

    def loss_at(self, flow_mm3_s: float) -> tuple[float, float]:
        """Fitted loss and its standard uncertainty at a flow between the rates."""
        at = (flow_mm3_s, self.flows_mm3_s)
        return float(np.interp(*at, self.fitted)), float(np.interp(*at, self.loss_u))

    def usable(self, loss: float) -> "Usable":
        """The flow at which this much is lost."""
        bounds = (self.fitted_high, self.fitted, self.fitted_low)
        return Usable(
            loss, self.tested_mm3_s, *(_flow_at_loss(self.flows_mm3_s, bound, loss) for bound in bounds)
        )


@dataclass(frozen=True)
class Usable:
    """Flow at a loss, mm3/s, with the band of 10 and 90 %. None: not reached up to the fastest tested."""

    loss: float
    tested_mm3_s: float
    low_mm3_s: float | None
    likely_mm3_s: float | None
    high_mm3_s: float | None

    @property
    def setting_mm3_s(self) -> float:
        """The fastest flow to set, rounded down to 0.1: the low end of the band, or the fastest tested."""
        fastest = self.tested_mm3_s if self.low_mm3_s is None else self.low_mm3_s
        return max(0.1, floor(10 * fastest + 1e-9) / 10)


def require_fine_scale(setup: CheckSetup) -> None:
    """Raises CheckRefused where the scale is too coarse for the length, before anything is extruded."""
    if setup.loss_u > COARSEST_RESOLUTION:
        least_mm = _round_up_mm(setup.length_for_mm(COARSEST_RESOLUTION))
        good_mm = _round_up_mm(setup.length_for_mm(GOOD_RESOLUTION))
        values: dict[str, Any] = {
            "resolution_g": setup.resolution_g,
            "commanded_g": setup.commanded_g,
            "uncertainty_pct": float(f"{100 * setup.loss_u:.2g}"),
        }
        if setup.length_for_mm(COARSEST_RESOLUTION) > LONGEST_MM:
            raise CheckRefused("resolution_g", "scale_too_coarse_for_any_length", **values)
        values |= {"least_mm": least_mm, "good_mm": good_mm if good_mm <= LONGEST_MM else None}
        raise CheckRefused("resolution_g", "scale_too_coarse", **values)


def advise_setup(setup: CheckSetup) -> Statement | None:
    """The change that would make a check of this setup better; None where it is good."""
    if setup.loss_u <= GOOD_ENOUGH:
        return None
    length_mm = _round_up_mm(setup.length_for_mm(GOOD_RESOLUTION))
    uncertain = {"uncertainty_pct": 100 * setup.loss_u, "better_pct": 100 * GOOD_RESOLUTION}
    if length_mm > LONGEST_MM:
        return Statement("flow.finer_scale", uncertain)
    return Statement("flow.longer_blobs", uncertain | {"length_mm": length_mm})


def advise_setting(usable: Usable) -> Statement:
    """The most that may be set for the filament, as a flow and as the speed of usual lines."""
    setting_mm3_s = usable.setting_mm3_s
    line = {
        "line_mm": LINE_MM,
        "layer_mm": LAYER_MM,
        "speed_mm_s": floor(setting_mm3_s / (LINE_MM * LAYER_MM)),
    }
    values = {"setting_mm3_s": setting_mm3_s, "loss_pct": 100 * usable.loss} | line
    return Statement("flow.set_as_tested" if usable.low_mm3_s is None else "flow.set_at_most", values)


def require_rising_rates(rates_mm3_s: Sequence[float]) -> None:
    """Raises CheckRefused unless the rates rise from a slow reference, each once."""
    if not LEAST_RATES <= len(rates_mm3_s) <= MOST_RATES:
        raise CheckRefused("rates", "rate_count", least=LEAST_RATES, most=MOST_RATES, count=len(rates_mm3_s))
    if not all(SLOWEST <= rate <= FASTEST for rate in rates_mm3_s):
        raise CheckRefused("rates", "rate_out_of_range", slowest=SLOWEST, fastest=FASTEST)
    for before, after in pairwise(rates_mm3_s):
        if after == before:
            raise CheckRefused("rates", "rate_twice", flow=after)
        if after < before:
            raise CheckRefused("rates", "rates_not_rising", before=before, after=after)


def require_possible_masses(setup: CheckSetup, blobs: Sequence[RateMasses]) -> None:
    """Raises CheckRefused on masses that no scale can have shown for this setup."""
    require_fine_scale(setup)
    require_rising_rates([rate.flow_mm3_s for rate in blobs])
    for rate in blobs:
        _require_possible_blobs(setup, rate)
    if not any(blobs[0].masses_g):
        raise CheckRefused("masses", "reference_weighs_nothing")


def measure(setup: CheckSetup, blobs: Sequence[RateMasses]) -> FlowCurve:
    """Losses with their uncertainty and the fitted curve, of blobs that require_possible_masses accepts."""
    counts = np.array([len(rate.masses_g) for rate in blobs])
    masses = np.array([np.mean(rate.masses_g) for rate in blobs])
    scatter = np.array([np.std(n.masses_g, ddof=1) if len(n.masses_g) > 1 else np.nan for n in blobs])
    mass_u = np.sqrt(setup.reading_u_g**2 + _scatter_per_blob(scatter, counts, masses[0]) ** 2 / counts)
    losses = 1 - masses / masses[0]
    # (1 - loss) u(m)/m is u(m)/m_ref: written so, it holds for a blob of 0 g, too.
    loss_u = np.hypot(mass_u / masses[0], (1 - losses) * mass_u[0] / masses[0])
    loss_u[0] = 0.0
    reference_share = masses[0] / setup.commanded_g
    share_u = np.array(
        [
            mass_u[0] / masses[0],
            2 * setup.diameter_tolerance_mm / setup.diameter_mm / sqrt(3),
            DENSITY_SHARE / sqrt(3),
        ]
    )
    return FlowCurve(
        flows_mm3_s=np.array([rate.flow_mm3_s for rate in blobs]),
        masses_g=masses,
        reading_u_g=setup.reading_u_g,
        scatter_g=scatter,
        losses=losses,
        loss_u=loss_u,
        fitted=_fit_rising(losses, loss_u),
        fitted_low=_fit_rising(losses - EDGE * loss_u, loss_u),
        fitted_high=_fit_rising(losses + EDGE * loss_u, loss_u),
        short=float(1 - reference_share),
        short_u=float(reference_share * np.linalg.norm(share_u)),
    )


def _require_possible_blobs(setup: CheckSetup, rate: RateMasses) -> None:
    if not 1 <= len(rate.masses_g) <= MOST_REPEATS:
        raise CheckRefused(
            "masses", "blob_count", flow=rate.flow_mm3_s, most=MOST_REPEATS, count=len(rate.masses_g)
        )
    for mass_g in rate.masses_g:
        require_possible_mass(setup, rate.flow_mm3_s, mass_g)


def require_possible_mass(setup: CheckSetup, flow_mm3_s: float, mass_g: float) -> None:
    """Raises CheckRefused on a mass that no blob of this setup has."""
    if not (isfinite(mass_g) and mass_g >= 0):
        raise CheckRefused("masses", "mass_out_of_range", flow=flow_mm3_s, mass_g=mass_g)
    if mass_g > setup.heaviest_g:
        raise CheckRefused(
            "masses",
            "mass_too_heavy",
            flow=flow_mm3_s,
            mass_g=mass_g,
            length_mm=setup.length_mm,
            commanded_g=setup.commanded_g,
            heaviest_g=setup.heaviest_g,
        )


def _scatter_per_blob(scatter_g: Array, counts: NDArray[np.int64], reference_g: float) -> Array:
    """Scatter per blob: pooled over the rates, or the rate's own where that is larger; else assumed."""
    repeated = counts > 1
    if not repeated.any():
        return np.full(len(counts), ASSUMED_SCATTER * reference_g)
    pooled = sqrt(float(np.average(scatter_g[repeated] ** 2, weights=counts[repeated] - 1)))
    return np.fmax(scatter_g, pooled)


def _fit_rising(losses: Array, loss_u: Array) -> Array:
    """The nearest curve that starts with no loss at the reference and never falls, 0 to 1."""
    # Imported at the first use, see spools/physics/ensemble.py.
    from scipy.optimize import isotonic_regression

    fit = isotonic_regression(losses[1:], weights=1 / loss_u[1:] ** 2)
    return np.concatenate([[0.0], np.clip(fit.x, 0, 1)])


def _flow_at_loss(flows_mm3_s: Array, losses: Array, loss: float) -> float | None:
    """Where a rising curve reaches a loss, in a straight line between the rates."""
    if losses[-1] < loss:
        return None
    after = int(np.argmax(losses >= loss))
    share = (loss - losses[after - 1]) / (losses[after] - losses[after - 1])
    return float(flows_mm3_s[after - 1] + share * (flows_mm3_s[after] - flows_mm3_s[after - 1]))


def _round_up_mm(length_mm: float) -> int:
    """To the next 10 mm."""
    return int(-(-length_mm // 10) * 10)
