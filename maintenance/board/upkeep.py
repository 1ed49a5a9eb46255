"""The upkeep of a toolhead on the board: the life that is left in its parts, its services, its flow checks.

Plain data, from which reminders derive at any later time what is due.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import msgspec
from django.db.models import Max

from maintenance.flow.curve import LIMITS
from maintenance.flow.diagnosis import CLOG
from maintenance.flow.history import (
    CheckSeries,
    EvaluatedCheck,
    changed_since,
    load_current_series,
    load_last_checks,
    material_name,
)
from maintenance.models import JobUse, PartKind, ServiceKind
from maintenance.parts.life import PartWear
from maintenance.readiness.states import MachineState
from maintenance.service.intervals import ServiceStatus
from maintenance.wear.intervals import ServiceProgress
from spools.statements import Statement


class PartUpkeep(msgspec.Struct, frozen=True, array_like=True):
    """A fitted part. toolhead: None for a part of the whole printer. life, left: 10 %, 50 % and 90 %, in ``unit``.

    used_up: the probability that it is; used_up_at, early_at: when half and a tenth of such parts are, at the
    present rate of use.
    """

    part: int
    kind: int
    name: str
    site: str
    toolhead: int | None
    unit: str
    age: float
    life: tuple[float, float, float]
    used_up: float
    used_up_at: datetime | None
    left: tuple[float, float, float]
    early_at: datetime | None


class ServiceUpkeep(msgspec.Struct, frozen=True, array_like=True):
    """A service of a toolhead or, without one, of its printer. The other fields: as of ServiceStatus."""

    kind: int
    cleans: bool
    source: str
    printer: int
    toolhead: int | None
    last: datetime | None
    count_start: datetime | None
    since: ServiceProgress


class FlowSignal(msgspec.Struct, frozen=True, array_like=True):
    """A control chart that signals. baseline: the id of its first check; values: those of its reminder."""

    baseline: int
    part: int | None
    rises: bool
    is_over_limit: bool
    reaches_limit_at: datetime | None
    values: dict[str, Any]
    remedy: Statement | None


class FlowUpkeep(msgspec.Struct, frozen=True, array_like=True):
    """The last flow check. changed: the roles of the parts that are others since; last_print: of the toolhead."""

    checked_at: datetime
    changed: list[str]
    last_print: datetime | None
    signals: list[FlowSignal]


class Upkeep(msgspec.Struct, frozen=True, array_like=True):
    """The upkeep of a toolhead and its printer at a time. flow: None where the flow was never checked."""

    toolhead: str
    at: datetime
    parts: list[PartUpkeep]
    services: list[ServiceUpkeep]
    flow: FlowUpkeep | None


def load_upkeep(machines: Mapping[int, MachineState], at: datetime) -> dict[int, Upkeep]:
    """The upkeep of toolheads, by their ids. The number of queries is fixed."""
    flow = _load_flow(machines, at)
    return {
        pk: Upkeep(
            str(machine.toolhead),
            at,
            [_part(wear) for wear in machine.parts.values()],
            [_service(status) for status in machine.services],
            flow.get(pk),
        )
        for pk, machine in machines.items()
    }


def _part(wear: PartWear) -> PartUpkeep:
    left, fitting = wear.life_left(), wear.fitting
    assert fitting is not None
    return PartUpkeep(
        wear.part.pk,
        wear.kind.pk,
        str(wear.kind),
        str(fitting.site),
        fitting.toolhead_id,
        left.unit,
        left.age,
        left.life,
        left.probability_used_up,
        left.used_up_at,
        (left.low_left, left.median_left, left.high_left),
        left.early_at,
    )


def _service(status: ServiceStatus) -> ServiceUpkeep:
    kind, toolhead = status.kind, status.toolhead
    return ServiceUpkeep(
        kind.pk,
        kind.work in ServiceKind.CLEANING,
        kind.source,
        status.printer.pk,
        None if toolhead is None else toolhead.pk,
        status.last,
        status.count_start,
        status.since,
    )


def _load_flow(toolhead_ids: Iterable[int], at: datetime) -> dict[int, FlowUpkeep]:
    """Of the toolheads whose flow was checked, by id."""
    last: dict[int, EvaluatedCheck] = {}
    for check in sorted(load_last_checks(toolhead_ids, at).values(), key=_recorded_order):
        last[check.check.toolhead_id] = check
    uses = JobUse.objects.filter(job__withdrawn_at=None, toolhead__in=last).order_by()
    last_prints = dict(uses.values_list("toolhead").annotate(last=Max("job__start")))
    current = load_current_series(last, at)
    return {
        pk: FlowUpkeep(
            check.check.at,
            [fitting.role for fitting in changed_since(check, at)],
            last_prints.get(pk),
            [_signal(series) for series in _signalling(current.get(pk, []))],
        )
        for pk, check in last.items()
    }


def _recorded_order(check: EvaluatedCheck) -> tuple[datetime, int]:
    return check.check.at, check.check.pk


def _signalling(current: Sequence[CheckSeries]) -> list[CheckSeries]:
    """The latest series of each material, of those with the parts that are on the toolhead, if it signals."""
    latest: dict[tuple[int, int | None], CheckSeries] = {}
    for series in current:
        latest.setdefault(series.latest.material, series)
    return [series for series in latest.values() if series.signal]


def _signal(series: CheckSeries) -> FlowSignal:
    latest, toolhead = series.latest, series.latest.check.toolhead
    diagnosis = series.diagnosis(latest)
    rises = series.signal > 0
    # A rising loss is the gears, unless it is a clog; a falling one is the bore.
    role = PartKind.Role.GEARS if rises and diagnosis.cause != CLOG else PartKind.Role.NOZZLE
    fitting = latest.fitted.get(role)
    since, limit_at = series.signals_since, series.reaches_limit_at
    assert since is not None
    values = {
        "part": str(fitting.part.kind) if fitting else role.label,
        "toolhead": str(toolhead),
        "material": material_name(latest.check.spool.feedstock),
        "flow_mm3_s": series.flow_mm3_s,
        "first_loss_pct": 100 * series.losses[0],
        "last_loss_pct": 100 * series.losses[-1],
        "since": since.isoformat(),
        "limit_pct": 100 * LIMITS[1],
        "limit_at": limit_at and limit_at.isoformat(),
    }
    return FlowSignal(
        series.baseline.check.pk,
        fitting.part_id if fitting else None,
        rises,
        series.losses[-1] >= LIMITS[1],
        limit_at,
        values,
        diagnosis.remedy,
    )
