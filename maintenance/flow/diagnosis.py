"""The likeliest cause behind the curve of a flow check: drive gears, a clog, the melt's limit, steps or diameter.

The shapes are those of fixtures/reference/README.md ("Reading the curve"): more loss than the baseline from
moderate flow on is the gears or their spring; the same with loss even when slow is a clog; flat, then a knee
with scatter is the melt's limit; the same shortage at every flow is a wrong diameter or wrong steps. A worn
bore lowers the feed force, and with it the loss.
"""

from dataclasses import dataclass
from math import hypot

import numpy as np

from maintenance.flow.curve import SIGNIFICANT, Array, FlowCurve

NO_FAULT, GEARS, CLOG, MELT, STEPS, EASIER = "sound", "gears", "clog", "melt", "steps", "easier"
# Up to this loss a curve counts as flat. Common practice, no source.
FLAT_LOSS = 0.03
# A knee: at its start less than this share of what a straight line to the fastest rate would have lost.
KNEE_SHARE = 0.5
# Blobs beyond a knee scatter at least so many times as much as those before it.
KNEE_SCATTER = 2.0
# Different from the baseline on at least this share of the rates: "from moderate flow on".
FROM_MODERATE = 0.5


@dataclass(frozen=True)
class FlowDiagnosis:
    """cause: one of the words above; sentence: the reason with its numbers; remedy: what to do."""

    cause: str
    sentence: str
    remedy: str = ""


def diagnose(curve: FlowCurve, baseline: FlowCurve | None = None) -> FlowDiagnosis:
    """The likely reading, beside the baseline of the same parts where there is one."""
    short = curve.short > SIGNIFICANT * curve.short_u
    if short and curve.fitted[-1] <= max(FLAT_LOSS, SIGNIFICANT * curve.loss_u[-1]):
        return FlowDiagnosis(
            STEPS,
            f"Every blob weighs about {_format_pct(curve.short)} less than was commanded, at all rates alike: "
            "a wrong diameter or density, or wrong steps of the drive.",
            "Measure the filament's diameter; measure 100 mm of feed at the drive.",
        )
    if baseline is not None and (changed := _compare_with_baseline(curve, baseline)) is not None:
        return changed
    if (knee := _find_knee(curve)) is not None:
        return _diagnose_melt_limit(curve, knee)
    if short and baseline is None and curve.losses[-1] > SIGNIFICANT * curve.loss_u[-1]:
        return FlowDiagnosis(
            CLOG,
            f"It lacks {_format_pct(curve.short)} already when slow, and {_format_pct(curve.fitted[-1])} more when "
            "fastest: a clog, or a wrong diameter on top of the usual rise.",
            "Clean the nozzle with a cold pull, measure the filament's diameter, and check again.",
        )
    if curve.fitted[-1] <= max(FLAT_LOSS, SIGNIFICANT * curve.loss_u[-1]):
        return FlowDiagnosis(NO_FAULT, f"No loss that counts up to {curve.tested_mm3_s:g} mm³/s.")
    compared = "as at the baseline" if baseline is not None else "as is usual; there is no baseline yet"
    return FlowDiagnosis(NO_FAULT, f"The loss grows gradually with the flow, {compared}.")


def _compare_with_baseline(curve: FlowCurve, baseline: FlowCurve) -> FlowDiagnosis | None:
    """The difference from the baseline from moderate flow on; None without one."""
    slow = max(curve.flows_mm3_s[0], baseline.flows_mm3_s[0])
    shared = (curve.flows_mm3_s > slow) & (curve.flows_mm3_s <= baseline.tested_mm3_s)
    if not shared.any():
        return None
    flows = curve.flows_mm3_s[shared]
    before, before_u = (
        np.interp(flows, baseline.flows_mm3_s, numbers) for numbers in (baseline.fitted, baseline.loss_u)
    )
    added_loss = curve.losses[shared] - before
    real = SIGNIFICANT * np.hypot(curve.loss_u[shared], before_u)
    fastest = f"{_format_pct(float(curve.fitted[shared][-1]))} at {flows[-1]:g} mm³/s, {_format_pct(before[-1])} then"
    if np.mean(added_loss < -real) >= FROM_MODERATE:
        return FlowDiagnosis(
            EASIER,
            f"Less is lost than at the baseline ({fastest}): the melt meets less resistance. A worn bore "
            "does that, as does a hotter or cleaner hot end.",
            "Look at the nozzle's bore.",
        )
    if np.mean(added_loss > real) < FROM_MODERATE:
        return None
    lacks_more = curve.short - baseline.short
    if lacks_more > SIGNIFICANT * hypot(curve.short_u, baseline.short_u):
        return FlowDiagnosis(
            CLOG,
            f"More is lost than at the baseline ({fastest}), and {_format_pct(lacks_more)} more already when slow: "
            "a clog.",
            "Clean the nozzle with a cold pull, then check again.",
        )
    if (knee := _find_knee(curve)) is not None and _scatter_ratio(curve, knee) >= KNEE_SCATTER:
        return _diagnose_melt_limit(curve, knee)
    return FlowDiagnosis(
        GEARS,
        f"More is lost than at the baseline from moderate flow on ({fastest}), and nothing when slow: "
        "the drive gears slip, by wear, dirt or a weak spring.",
        "Brush the drive gears, check their spring, and check again; replace them if it stays.",
    )


def _diagnose_melt_limit(curve: FlowCurve, knee: int) -> FlowDiagnosis:
    ratio = _scatter_ratio(curve, knee)
    scatter = f", where blobs scatter {ratio:.1f} times as much" if ratio >= KNEE_SCATTER else ""
    return FlowDiagnosis(
        MELT,
        f"Hardly any loss up to {curve.flows_mm3_s[knee]:g} mm³/s, then a knee{scatter}: the hot end melts "
        "no more than that.",
        "Print slower or hotter, or use a hot end that melts more.",
    )


def _find_knee(curve: FlowCurve) -> int | None:
    """Index of the last rate before a knee, with two flat rates at least beside the reference."""
    flat = curve.fitted <= np.maximum(FLAT_LOSS, SIGNIFICANT * curve.loss_u)
    last = int(np.argmin(flat)) - 1 if not flat.all() else 0
    if last < 2:
        return None
    flows = curve.flows_mm3_s
    straight = curve.fitted[-1] * (flows[last] - flows[0]) / (flows[-1] - flows[0])
    return last if curve.fitted[last] + SIGNIFICANT * curve.loss_u[last] < KNEE_SHARE * straight else None


def _scatter_ratio(curve: FlowCurve, knee: int) -> float:
    """Scatter of the repeats beyond a knee against before it and the scale's; 0 without repeats."""
    before, beyond = curve.scatter_g[: knee + 1], curve.scatter_g[knee + 1 :]
    if np.isnan(before).all() or np.isnan(beyond).all():
        return 0.0
    return _root_mean_square(beyond) / hypot(_root_mean_square(before), curve.reading_u_g)


def _root_mean_square(scatter_g: Array) -> float:
    return float(np.sqrt(np.nanmean(scatter_g**2)))


def _format_pct(share: float) -> str:
    return f"{100 * share:.1f} %"
