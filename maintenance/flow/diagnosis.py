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
from spools.statements import Statement

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
    """cause: one of the words above; reason: with its numbers; remedy: what to do."""

    cause: str
    reason: Statement
    remedy: Statement | None = None


def diagnose(curve: FlowCurve, baseline: FlowCurve | None = None) -> FlowDiagnosis:
    """The likely reading, beside the baseline of the same parts where there is one."""
    short = curve.short > SIGNIFICANT * curve.short_u
    short_pct, fastest_pct = 100 * float(curve.short), 100 * float(curve.fitted[-1])
    if short and curve.fitted[-1] <= max(FLAT_LOSS, SIGNIFICANT * curve.loss_u[-1]):
        reason = Statement("flow.short_at_all_rates", {"short_pct": short_pct})
        return FlowDiagnosis(STEPS, reason, Statement("flow_remedy.measure_feed"))
    if baseline is not None and (changed := _compare_with_baseline(curve, baseline)) is not None:
        return changed
    if (knee := _find_knee(curve)) is not None:
        return _diagnose_melt_limit(curve, knee)
    if short and baseline is None and curve.losses[-1] > SIGNIFICANT * curve.loss_u[-1]:
        reason = Statement("flow.short_when_slow", {"short_pct": short_pct, "loss_pct": fastest_pct})
        return FlowDiagnosis(CLOG, reason, Statement("flow_remedy.clean_and_measure"))
    if curve.fitted[-1] <= max(FLAT_LOSS, SIGNIFICANT * curve.loss_u[-1]):
        return FlowDiagnosis(NO_FAULT, Statement("flow.no_loss", {"tested_mm3_s": float(curve.tested_mm3_s)}))
    return FlowDiagnosis(NO_FAULT, Statement("flow.usual_loss", {"has_baseline": baseline is not None}))


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
    fastest = {
        "flow_mm3_s": float(flows[-1]),
        "loss_pct": 100 * float(curve.fitted[shared][-1]),
        "baseline_loss_pct": 100 * float(before[-1]),
    }
    if np.mean(added_loss < -real) >= FROM_MODERATE:
        return FlowDiagnosis(
            EASIER, Statement("flow.less_loss", fastest), Statement("flow_remedy.look_at_bore")
        )
    if np.mean(added_loss > real) < FROM_MODERATE:
        return None
    lacks_more = curve.short - baseline.short
    if lacks_more > SIGNIFICANT * hypot(curve.short_u, baseline.short_u):
        reason = Statement("flow.clogged", {**fastest, "short_more_pct": 100 * float(lacks_more)})
        return FlowDiagnosis(CLOG, reason, Statement("flow_remedy.clean_nozzle"))
    if (knee := _find_knee(curve)) is not None and _scatter_ratio(curve, knee) >= KNEE_SCATTER:
        return _diagnose_melt_limit(curve, knee)
    return FlowDiagnosis(GEARS, Statement("flow.gears_slip", fastest), Statement("flow_remedy.brush_gears"))


def _diagnose_melt_limit(curve: FlowCurve, knee: int) -> FlowDiagnosis:
    ratio = _scatter_ratio(curve, knee)
    values = {
        "knee_mm3_s": float(curve.flows_mm3_s[knee]),
        "scatter_ratio": ratio if ratio >= KNEE_SCATTER else None,
    }
    return FlowDiagnosis(MELT, Statement("flow.melt_limit", values), Statement("flow_remedy.melt_more"))


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
