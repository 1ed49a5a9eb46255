"""The next sensible act on a spool: the one main button that every page offers for it.

It follows from the advice on the board and from the verdict on the toolhead where the spool prints best, so a page
never offers to load what it holds back.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from maintenance.models import Toolhead
from maintenance.readiness.occupation import Occupied
from maintenance.readiness.verdict import HOLD, ReadinessCheck, Verdict
from spools.models import SpoolBoard


class Act(StrEnum):
    """Acts. MEND: the toolhead needs a part or a service first. NONE: wait, such as for a drying run that goes on."""

    TAKE_OUT = "take_out"
    FINISH_JOB = "finish_job"
    RECORD_JOB = "record_job"
    DRY = "dry"
    LOAD = "load"
    WEIGH = "weigh"
    END = "end"
    MEND = "mend"
    NONE = "none"


MENDING = {"fit", "replace", "service", "clean", "check_flow"}


@dataclass(frozen=True)
class NextAct:
    """An act. toolhead: to load on, or to mend. dryer: the id of the advised one, or of the run. job: that prints."""

    act: Act
    toolhead: Toolhead | None = None
    dryer: int | None = None
    job: int | None = None


def choose_next_act(
    row: SpoolBoard,
    best: tuple[Toolhead, Verdict] | None,
    now: datetime,
    *,
    is_loaded: bool,
    reserved: Collection[Occupied] = (),
) -> NextAct:
    """The next sensible act on a spool in use.

    best: the toolhead that it is on, else that on which it prints best, with the verdict there; None: there is no
    printer. reserved: the jobs that hold the spool.
    """
    if row.run is not None:
        # One that never gets dry is over at its planned end.
        ends = row.ready_at or row.run.planned_end, _take_out_by(row)
        is_over = any(at is not None and at <= now for at in ends)
        return NextAct(Act.TAKE_OUT, dryer=row.run.dryer_id) if is_over else NextAct(Act.NONE)
    toolhead, verdict = best or (None, None)
    if verdict is None:
        return _dry(row) if row.state == HOLD else NextAct(Act.NONE)
    if is_loaded:
        printing = next((job for job in reserved if job.printing), None)
        if printing is not None:
            return NextAct(Act.FINISH_JOB, toolhead, job=printing.job)
        wet = [check for check in verdict.holds if _needs(check, "dry")]
        return _dry(row) if wet else NextAct(Act.RECORD_JOB, toolhead)
    if verdict.state == HOLD:
        return _end_hold(row, toolhead, verdict)
    if verdict.reasons and all(_needs(check, "weigh") for check in verdict.reasons):
        return NextAct(Act.WEIGH)
    return NextAct(Act.LOAD, toolhead)


def _end_hold(row: SpoolBoard, toolhead: Toolhead | None, verdict: Verdict) -> NextAct:
    """The act that ends a hold; a spool that surely holds too little for the smallest job is used up."""
    if any(_needs(check, "dry") for check in verdict.holds):
        return _dry(row)
    if any(check.name == "quantity" for check in verdict.holds):
        return NextAct(Act.END)
    if any(_needs(check, *MENDING) for check in verdict.holds):
        return NextAct(Act.MEND, toolhead)
    return NextAct(Act.NONE)


def _needs(check: ReadinessCheck, *actions: str) -> bool:
    return check.remedy is not None and check.remedy.action in actions


def _dry(row: SpoolBoard) -> NextAct:
    drying = row.advice.values.get("drying") if row.advice.code in ("advice.dry", "advice.planned") else None
    return NextAct(Act.DRY, dryer=drying and drying["dryer_id"])


def _take_out_by(row: SpoolBoard) -> datetime | None:
    by = row.advice.values.get("take_out_by")
    return datetime.fromisoformat(by) if by else None
