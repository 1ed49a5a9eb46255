"""Flow checks that are due, and parts whose control chart signals."""

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta

from maintenance.board.upkeep import FlowSignal, FlowUpkeep, Upkeep
from maintenance.models import Reminder
from maintenance.readiness.rules.feeding import FLOW_OLD_DAYS
from maintenance.reminders.conditions.conditions import Condition
from spools.air.hourly import hour_of
from spools.statements import Statement

Kind = Reminder.Kind


def check_flow(upkeep: Mapping[int, Upkeep], now: datetime) -> Iterator[Condition]:
    """A toolhead that never was checked needs no check."""
    for pk, toolhead in upkeep.items():
        if toolhead.flow is None:
            continue
        if (reason := _check_due(toolhead.toolhead, toolhead.flow, now)) is not None:
            remedy = Statement("reminder_remedy.check_flow")
            due = Reminder(kind=Kind.FLOW_CHECK, condition=f"flow_check:toolhead:{pk}", toolhead_id=pk)
            due.reason, due.remedy = reason, remedy
            yield Condition(due)
        for signal in toolhead.flow.signals:
            limit_at = signal.reaches_limit_at
            urgent = signal.is_over_limit or (limit_at is not None and hour_of(limit_at) <= now)
            yield Condition(_signal(pk, signal), urgent=urgent)


def _check_due(toolhead: str, flow: FlowUpkeep, now: datetime) -> Statement | None:
    """Other parts since the last check, or a check that is old on a toolhead that is in use."""
    checked_at, last_print = flow.checked_at, flow.last_print
    values = {"toolhead": toolhead, "checked_at": checked_at.isoformat()}
    if flow.changed:
        return Statement("reminder.flow_check_before_new_parts", {**values, "roles": flow.changed})
    if now - checked_at > timedelta(days=FLOW_OLD_DAYS) and last_print and last_print > checked_at:
        return Statement("reminder.flow_check_old", {**values, "limit_days": FLOW_OLD_DAYS})
    return None


def _signal(toolhead_id: int, signal: FlowSignal) -> Reminder:
    direction, limit_at = "rises" if signal.rises else "falls", signal.reaches_limit_at
    return Reminder(
        kind=Kind.FLOW_CHART,
        condition=f"flow_chart:check:{signal.baseline}",
        reason=Statement(f"reminder.flow_loss_{direction}", signal.values),
        remedy=signal.remedy or Statement("reminder_remedy.clean_and_check_flow"),
        part_id=signal.part,
        toolhead_id=toolhead_id,
        due_at=limit_at and hour_of(limit_at),
        amount=signal.values["last_loss_pct"],
        amount_unit="flow_loss_pct",
        amount_falls=not signal.rises,
    )
