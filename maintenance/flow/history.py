"""Evaluates flow checks: the curve of each, its baseline, the control chart over checks of one kind.

Checks are of one kind when they share the toolhead, nozzle and drive gears, polymer and filler, the reference
rate and about the temperature. Parts follow from the fittings, so that a fitting that
is recorded late still counts.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from math import hypot

import numpy as np
from django.db.models import F, OuterRef, Prefetch, Q, QuerySet, Subquery, Window
from django.db.models.functions import Coalesce, RowNumber

from maintenance.flow.control_chart import START, ControlChart, control_chart, reached_after
from maintenance.flow.curve import (
    LIMITS,
    SAME_C,
    CheckSetup,
    FlowCurve,
    RateMasses,
    Usable,
    advise_setting,
    measure,
)
from maintenance.flow.diagnosis import FlowDiagnosis, diagnose
from maintenance.models import Fitting, FlowBlob, FlowCheck, PartKind
from maintenance.parts.wear_entries import filament_of
from spools.checks import EARLIEST
from spools.models import Feedstock
from spools.statements import Statement

ROLES = (PartKind.Role.NOZZLE, PartKind.Role.GEARS)
FORESEEABLE = timedelta(days=3650)
# Checks of the same parts on different days differ by this besides their own uncertainty: temperature,
# filament, hand. Standard uncertainty of the loss; a guess, no source.
BETWEEN_CHECKS = 0.005


@dataclass(frozen=True, eq=False)
class EvaluatedCheck:
    """A flow check with its curve, which is computed when asked. fitted: the parts on the toolhead then, by role."""

    check: FlowCheck
    setup: CheckSetup
    blobs: tuple[RateMasses, ...]
    fitted: dict[str, Fitting]

    @property
    def curve(self) -> FlowCurve:
        return _curve(self.setup, self.blobs)

    @property
    def material(self) -> tuple[int, int | None]:
        """Polymer and filler ids."""
        return material_of(self.check.spool.feedstock)

    @property
    def parts(self) -> tuple[int | None, ...]:
        """The ids of nozzle and drive gears; None where none was recorded."""
        return tuple(self.fitted[role].part_id if role in self.fitted else None for role in ROLES)

    @property
    def setting(self) -> Statement:
        """The most that may be set for the filament."""
        return advise_setting(self.usable()[0])

    def usable(self) -> list[Usable]:
        """Usable flow at 5 and at 10 % loss."""
        return [self.curve.usable(loss) for loss in LIMITS]

    def same_kind(self, other: "EvaluatedCheck") -> bool:
        """Whether the two may be compared."""
        return (
            (self.check.toolhead_id, self.parts, self.material)
            == (other.check.toolhead_id, other.parts, other.material)
            and self.blobs[0].flow_mm3_s == other.blobs[0].flow_mm3_s
            and abs(self.check.nozzle_c - other.check.nozzle_c) <= SAME_C
        )


@lru_cache(maxsize=8192)
def _curve(setup: CheckSetup, weighed: tuple[RateMasses, ...]) -> FlowCurve:
    """Checks do not change, and sweeps and pages look at the same ones again and again."""
    return measure(setup, weighed)


def material_of(feedstock: Feedstock) -> tuple[int, int | None]:
    """The key by which a flow check counts for a filament: polymer and filler ids."""
    return feedstock.polymer_id, feedstock.filler_id


def material_name(feedstock: Feedstock) -> str:
    """The material in words, such as "PLA with carbon fibre"."""
    filler = feedstock.filler
    return f"{feedstock.polymer} with {filler}" if filler else str(feedstock.polymer)


def build_setup(
    feedstock: Feedstock,
    *,
    length_mm: float,
    diameter_mm: float,
    diameter_tolerance_mm: float,
    resolution_g: float,
) -> CheckSetup:
    """The setup of a check with this feedstock, whose density is its sheet's or the catalogue's."""
    density_g_cm3 = filament_of(feedstock).density_g_cm3
    return CheckSetup(length_mm, diameter_mm, diameter_tolerance_mm, density_g_cm3, resolution_g)


def evaluate_checks(checks: QuerySet[FlowCheck]) -> list[EvaluatedCheck]:
    """Checks, oldest first. Four queries, however many."""
    rows = list(
        checks.select_related(
            "toolhead__printer",
            "spool__feedstock__polymer",
            "spool__feedstock__filler",
            "spool__feedstock__maker",
        )
        .prefetch_related(
            Prefetch(
                "toolhead__fittings",
                Fitting.objects.valid().filter(role__in=ROLES).select_related("part__kind"),
            ),
        )
        .order_by("at", "id")
    )
    masses: dict[int, dict[float, list[float]]] = {check.pk: {} for check in rows}
    blobs = FlowBlob.objects.filter(flow_check__in=checks.order_by().values("pk"))
    for pk, flow, mass_g in blobs.values_list("flow_check", "flow_mm3_s", "mass_g"):
        masses[pk].setdefault(flow, []).append(mass_g)
    return [_evaluate(check, masses[check.pk]) for check in rows]


def _evaluate(check: FlowCheck, masses: dict[float, list[float]]) -> EvaluatedCheck:
    setup = build_setup(
        check.spool.feedstock,
        length_mm=check.length_mm,
        diameter_mm=check.diameter_mm,
        diameter_tolerance_mm=check.diameter_tolerance_mm,
        resolution_g=check.resolution_g,
    )
    weighed = tuple(RateMasses(flow, tuple(of_rate)) for flow, of_rate in masses.items())
    fittings = {
        fitting.role: fitting for fitting in check.toolhead.fittings.all() if _is_fitted_at(fitting, check.at)
    }
    return EvaluatedCheck(check, setup, weighed, fittings)


def _is_fitted_at(fitting: Fitting, at: datetime) -> bool:
    return fitting.start <= at and (fitting.end is None or at < fitting.end)


def load_last_checks(
    toolhead_ids: Iterable[int], at: datetime
) -> dict[tuple[int, int, int | None], EvaluatedCheck]:
    """The last check of each toolhead with each material, by (toolhead id, polymer id, filler id)."""
    material = [F("toolhead"), F("spool__feedstock__polymer"), F("spool__feedstock__filler")]
    newest_first = Window(RowNumber(), partition_by=material, order_by=[F("at").desc(), F("id").desc()])
    checks = FlowCheck.objects.valid().filter(toolhead__in=list(toolhead_ids), at__lte=at)
    last = list(checks.annotate(place=newest_first).filter(place=1).values_list("pk", flat=True))
    if not last:
        return {}
    evaluated = evaluate_checks(FlowCheck.objects.filter(pk__in=last))
    return {(check.check.toolhead_id, *check.material): check for check in evaluated}


def changed_since(check: EvaluatedCheck, at: datetime) -> list[Fitting]:
    """Nozzle and drive gears that are on the toolhead at that time and were not when it was checked."""
    fittings = check.check.toolhead.fittings.all()
    return [
        fitting for fitting in fittings if _is_fitted_at(fitting, at) and fitting.part_id not in check.parts
    ]


# Checks of one kind


@dataclass(frozen=True, eq=False)
class CheckSeries:
    """Checks of one kind, oldest first; the first is the baseline.

    flow_mm3_s: where the baseline lost 5 %, or the fastest that it tested. charted: the checks that reached
    that flow, with their loss there; chart: from the one after START of them on.
    """

    checks: list[EvaluatedCheck]
    flow_mm3_s: float
    charted: list[EvaluatedCheck]
    losses: list[float]
    chart: ControlChart | None

    @property
    def baseline(self) -> EvaluatedCheck:
        return self.checks[0]

    @property
    def latest(self) -> EvaluatedCheck:
        return self.checks[-1]

    def diagnosis(self, check: EvaluatedCheck) -> FlowDiagnosis:
        """The likely reading of one of the checks, beside the baseline."""
        is_baseline = check.check.pk == self.baseline.check.pk
        return diagnose(check.curve, None if is_baseline else self.baseline.curve)

    @property
    def signal(self) -> int:
        """Of the latest charted check: 1 risen, -1 fallen, 0 neither or no chart yet."""
        return 0 if self.chart is None else int(self.chart.signal[-1])

    @property
    def signals_since(self) -> datetime | None:
        """Time of the first check of the present signal."""
        if self.chart is None or not self.signal:
            return None
        ended = np.flatnonzero(self.chart.signal != self.signal)
        first = int(ended[-1]) + 1 if ended.size else 0
        return self.charted[START + first].check.at

    @property
    def finding(self) -> Statement:
        """The reading of the chart: no signal, a rising or falling loss, or too few checks so far."""
        if self.chart is None:
            return Statement("flow.chart_waits", {"start": START, "missing": START + 1 - len(self.charted)})
        flow = {"flow_mm3_s": self.flow_mm3_s}
        if self.signals_since is None:
            return Statement("flow.loss_steady", flow)
        since = {"since": self.signals_since.isoformat()}
        if self.signal < 0:
            return Statement("flow.loss_falls", flow | since)
        limit_at = None if self.reaches_limit_at is None else self.reaches_limit_at.isoformat()
        return Statement(
            "flow.loss_rises", flow | since | {"limit_pct": 100 * LIMITS[1], "limit_at": limit_at}
        )

    @property
    def reaches_limit_at(self) -> datetime | None:
        """When the loss reaches 10 % at the pace of the present rise; None without one, or where it has."""
        if self.chart is None or self.signal != 1 or self.losses[-1] >= LIMITS[1]:
            return None
        # From the checks just before the rise on, so that a line has something to start from.
        since = max(0, START + self.chart.onset - 2)
        start = self.charted[since].check.at
        days = [(check.check.at - start) / timedelta(days=1) for check in self.charted[since:]]
        after = reached_after(days, self.losses[since:], LIMITS[1])
        return None if after is None or after > FORESEEABLE.days else start + timedelta(days=after)


def group_into_series(checks: Sequence[EvaluatedCheck]) -> list[CheckSeries]:
    """Checks sorted into series, the one with the latest check first."""
    groups: list[list[EvaluatedCheck]] = []
    for check in checks:
        group = next((group for group in groups if check.same_kind(group[0])), None)
        if group is None:
            groups.append([check])
        else:
            group.append(check)
    groups.sort(key=lambda group: group[-1].check.at, reverse=True)
    return [_build_series(group) for group in groups]


def _build_series(checks: list[EvaluatedCheck]) -> CheckSeries:
    first = checks[0].curve
    flow = first.usable(LIMITS[0]).likely_mm3_s or first.tested_mm3_s
    charted = [check for check in checks if check.curve.tested_mm3_s >= flow]
    at_flow = [check.curve.loss_at(flow) for check in charted]
    losses = [loss for loss, _ in at_flow]
    uncertainties = [hypot(u, BETWEEN_CHECKS) for _, u in at_flow]
    return CheckSeries(checks, flow, charted, losses, control_chart(losses, uncertainties))


def load_current_series(toolhead_ids: Iterable[int], at: datetime) -> dict[int, list[CheckSeries]]:
    """The series of toolheads whose parts are on them at a time, by toolhead id, the latest check first.

    Four queries, however many. Checks from before those parts were first fitted are not loaded.
    """
    fitted_first = Fitting.objects.valid().filter(part=OuterRef("part"), toolhead=OuterRef("toolhead"))
    fitted_now = (
        Fitting.objects.valid()
        .filter(Q(end=None) | Q(end__gt=at), toolhead=OuterRef("toolhead"), role__in=ROLES)
        .filter(start__lte=at)
        .annotate(since=Subquery(fitted_first.order_by("start").values("start")[:1]))
    )
    since = Subquery(fitted_now.order_by("-since").values("since")[:1])
    checks = FlowCheck.objects.valid().filter(toolhead__in=list(toolhead_ids), at__lte=at)
    by_toolhead: dict[int, list[EvaluatedCheck]] = {}
    for check in evaluate_checks(checks.filter(at__gte=Coalesce(since, EARLIEST))):
        by_toolhead.setdefault(check.check.toolhead_id, []).append(check)
    return {
        toolhead_id: [
            series for series in group_into_series(evaluated) if not changed_since(series.latest, at)
        ]
        for toolhead_id, evaluated in by_toolhead.items()
    }


def load_series_with(check: EvaluatedCheck) -> CheckSeries | None:
    """The series of a check; None of a withdrawn one. Loads the checks of its material since its parts were on."""
    first: dict[int, datetime] = {}
    for fitting in check.check.toolhead.fittings.all():
        first.setdefault(fitting.part_id, fitting.start)
    polymer_id, filler_id = check.material
    checks = FlowCheck.objects.valid().filter(
        toolhead=check.check.toolhead_id,
        spool__feedstock__polymer=polymer_id,
        spool__feedstock__filler=filler_id,
        at__gte=max((first[part_id] for part_id in check.parts if part_id is not None), default=EARLIEST),
    )
    for series in group_into_series(evaluate_checks(checks)):
        if any(other.check.pk == check.check.pk for other in series.checks):
            return series
    return None
