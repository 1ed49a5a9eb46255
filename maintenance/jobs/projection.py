"""The steps of a job from the events of its print, as a printer's host reports them in any order.

All valid events of a print, by their times, give the steps that its job should have. Steps that follow from events name
them (JobEvent.basis); where they differ, the later ones are withdrawn and recorded again. What a person or a script
recorded stands. See docs/decisions/094-printer-events.md.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import takewhile
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from maintenance.jobs.life import lock_job, refresh_job
from maintenance.jobs.records import Outcome, begin_reported
from maintenance.jobs.reported import build_reported, find_next_spool, find_place_for_former
from maintenance.jobs.shares import ENDS
from maintenance.jobs.steps import PrintedPart, change_spool, end_job
from maintenance.models import Job, JobEvent, Printer, PrinterEvent
from spools.checks import lock_spool_facts
from spools.facts import follows_withdrawal, mark_withdrawn, withdraw
from spools.refusals import list_reasons, refusal

Kind, State, Step = PrinterEvent.Kind, PrinterEvent.State, JobEvent.Kind
# Events of one moment happened in this order.
ORDER = {kind: number for number, kind in enumerate(Kind.values)}
# A request looks again at so many prints that wait for the end of another one; the worker at all.
MOST_AT_ONCE = 20
# They change no book.
PASSIVE = (Kind.PROGRESS, Kind.PAUSED, Kind.RESUMED)
CHANGES = (Kind.RAN_OUT, Kind.SPOOL_CHANGED)


@dataclass(frozen=True)
class WantedStep:
    """A step that a job should have. events: from which it follows, the one that it stands for last."""

    kind: str
    events: tuple[PrinterEvent, ...]

    @property
    def event(self) -> PrinterEvent:
        return self.events[-1]

    @property
    def basis(self) -> list[int]:
        return [event.pk for event in self.events]

    @property
    def values(self) -> dict[str, Any]:
        """What the events say together; the later ones stand."""
        return {name: value for event in self.events for name, value in event.values.items()}


@dataclass
class Answer:
    """What became of each event of a print, by its id. Those that are not named are recorded, and change no book."""

    job: Job | None = None
    states: dict[int, tuple[str, list[dict[str, str]]]] = field(default_factory=dict)

    def wait(self, step: WantedStep, error: ValidationError) -> None:
        self.states[step.event.pk] = State.WAITING, list_reasons(error)

    def pass_over(self, step: WantedStep) -> None:
        sentence = _(
            "A person recorded or withdrew this step of the job, and that stands. Correct it on its page."
        )
        self.states[step.event.pk] = State.BY_HAND, list_reasons(refusal("by_hand", sentence))


def find_wanted(events: Iterable[PrinterEvent]) -> list[WantedStep]:
    """The steps that these events of a print give, in their order: its start or plan, changes of spool, its end."""
    ordered = sorted(events, key=lambda event: (event.at, ORDER[event.kind], event.key))
    plan = next((event for event in reversed(ordered) if event.kind == Kind.PLANNED), None)
    start = next((event for event in ordered if event.kind == Kind.STARTED), None)
    end = next((event for event in reversed(ordered) if event.kind in ENDS), None)
    wanted: list[WantedStep] = []
    if start is not None:
        wanted.append(WantedStep(Step.STARTED, (start,) if plan is None else (plan, start)))
    elif plan is not None:
        wanted.append(WantedStep(Step.PLANNED, (plan,)))
    pause: tuple[PrinterEvent, ...] = ()
    for event in (event for event in ordered if event.kind in CHANGES):
        if event.kind == Kind.RAN_OUT and "spool" not in event.values:
            pause = (event,)
        else:
            wanted.append(WantedStep(Step.CHANGED, (*pause, event)))
            pause = ()
    if end is not None:
        # A change after the end cannot be; it does not stand in the end's way.
        later = [step for step in wanted if step.kind == Step.CHANGED and step.event.at > end.at]
        wanted = [*(step for step in wanted if step not in later), WantedStep(end.kind, (end,)), *later]
    return wanted


def project_print(printer: Printer, print_key: str) -> None:
    """Brings the job of a print to its events, and the events to what became of them. In the caller's transaction."""
    lock_spool_facts()
    of_print = PrinterEvent.objects.valid().filter(printer=printer, print_key=print_key)
    acting = of_print.exclude(state=State.REFUSED).exclude(kind__in=PASSIVE)
    events = list(acting.select_related("recorded_by", "printer"))
    answer = _bring_to(_find_job(printer, print_key), find_wanted(events), {event.pk for event in events})
    job_id = None if answer.job is None else answer.job.pk
    for event in events:
        state, errors = answer.states.get(event.pk, (State.RECORDED, []))
        if (event.state, event.errors, event.job_id) != (state, errors, job_id):
            PrinterEvent.objects.filter(pk=event.pk).update(state=state, errors=errors, job=job_id)
    link_passive(printer, print_key, answer.job)


def _find_job(printer: Printer, print_key: str) -> Job | None:
    """The job of a print. One that was withdrawn because its events were is gone; one that a person withdrew stays so."""
    events = PrinterEvent.objects.filter(printer=printer, print_key=print_key, job__isnull=False)
    linked = events.exclude(job__withdrawn_at__isnull=False, job__withdrawn_reason="")
    row = linked.select_related("job").first()
    return None if row is None else row.job


def link_passive(printer: Printer, print_key: str, job: Job | None = None) -> None:
    """The events of a print that change no book are recorded, with its job. job: None where it is to be looked up."""
    job = job or _find_job(printer, print_key)
    job_id = None if job is None else job.pk
    events = PrinterEvent.objects.filter(printer=printer, print_key=print_key, kind__in=PASSIVE)
    unlinked = (
        events.exclude(state=State.RECORDED, job=job_id) if job_id else events.filter(state=State.WAITING)
    )
    unlinked.exclude(state=State.REFUSED).update(state=State.RECORDED, job=job_id)


class _Unchanged(Exception):
    """Recording the steps again led nowhere else, or lost one: all stays as it was."""


def _bring_to(job: Job | None, wanted: list[WantedStep], valid: set[int]) -> Answer:
    """Brings a job to the wanted steps, as far as they can be now. valid: ids of the events that count."""
    answer = Answer(job)
    if job is not None and job.withdrawn_at is not None:
        for step in wanted:
            answer.pass_over(step)
        return answer
    steps = [] if job is None else list(job.events.valid())
    wanted = _leave_to_people(job, wanted, answer)
    begun = any(step.kind == Step.STARTED for step in wanted)
    present = [step for step in steps if step.basis and not (begun and step.kind == Step.PLANNED)]
    before = [step.basis for step in present]
    common = len(list(takewhile(lambda pair: pair[0] == pair[1].basis, zip(before, wanted, strict=False))))
    if common == len(before) == len(wanted):
        return answer
    try:
        with transaction.atomic():
            if job is not None:
                job = lock_job(job)
                _withdraw_steps(
                    job, present[common:], [step for step in steps if step not in present[common:]]
                )
            added = _add_steps(job, wanted[common:], answer)
            after = [*before[:common], *added]
            rests = all(pk in valid for basis in before for pk in basis)
            if common < len(before) and rests and (after == before or len(after) < len(before)):
                raise _Unchanged
    except _Unchanged:
        standing = {basis[-1] for basis in before}
        _wait_for_lost(wanted, standing, answer)
        return Answer(job, answer.states)
    if answer.job is not None and not JobEvent.objects.valid().filter(job=answer.job).exists():
        withdraw(answer.job, reason=None)
        answer.job = None
    return answer


def _leave_to_people(job: Job | None, wanted: list[WantedStep], answer: Answer) -> list[WantedStep]:
    """The wanted steps without those that people or scripts recorded, or withdrew."""
    rows = [] if job is None else list(job.events.all())
    withdrawn = {basis for row in rows if row.withdrawn_reason for basis in row.basis[-1:]}
    by_hand = {_group(row.kind) for row in rows if not row.basis and row.withdrawn_at is None}
    left = []
    for step in wanted:
        group = _group(step.kind)
        if step.event.pk in withdrawn or (group in by_hand and group in ("end", Step.CHANGED)):
            answer.pass_over(step)
        elif group in by_hand or (step.kind == Step.PLANNED and by_hand):
            # The start that a person recorded is this one, and a plan adds nothing to it.
            continue
        else:
            left.append(step)
    return left


def _group(kind: str) -> str:
    return "end" if kind in ENDS else kind


def _withdraw_steps(job: Job, steps: Sequence[JobEvent], remaining: Sequence[JobEvent]) -> None:
    for step in steps:
        mark_withdrawn(step, by=None, reason=None)
    if steps and remaining:
        refresh_job(job)


def _add_steps(job: Job | None, wanted: Sequence[WantedStep], answer: Answer) -> list[list[int]]:
    """Records these steps one after the other; those that cannot be yet wait. Returns the basis of each added one."""
    added: list[list[int]] = []
    end_at = next((step.event.at for step in wanted if step.kind in ENDS), None)
    for step in wanted:
        try:
            with transaction.atomic():
                job = _add_step(job, step, end_at)
                if job.known_before:
                    job.known_before = False
                    answer.job = job
                    rest = [row for row in wanted if row is not step]
                    return [*added, *_add_steps(job, _leave_to_people(job, rest, answer), answer)]
                latest = job.events.latest("pk")
                latest.basis = step.basis
                latest.save(update_fields=["basis"])
        except ValidationError as error:
            answer.wait(step, error)
        else:
            added.append(step.basis)
            answer.job = job
    return added


def _add_step(job: Job | None, step: WantedStep, end_at: datetime | None) -> Job:
    event, values = step.event, step.values
    if step.kind in (Step.PLANNED, Step.STARTED):
        at = event.at if step.kind == Step.STARTED else None
        new = build_reported(event.printer, values, at, event.print_key)
        return begin_reported(new, job=job, end=end_at, by=event.recorded_by)
    if job is None or not job.events.valid().exists():
        raise refusal("no_start", _("Its start did not come yet. Send it, or record the print by hand."))
    job.refresh_from_db()
    printed = PrintedPart()
    if values.get("metres") is not None:
        printed["extruded_m"] = values["metres"]
    elif values.get("mass_g") is not None and step.kind in ENDS:
        printed["mass_g"] = values["mass_g"]
    if step.kind == Step.CHANGED:
        spool = find_next_spool(job, values, event.at)
        unload_to = find_place_for_former(job, spool, values, event.at)
        return change_spool(job, spool, at=event.at, unload_to=unload_to, by=event.recorded_by, **printed)
    outcome = Outcome(values.get("parts"), values.get("good_parts"), values.get("reason", ""))
    return end_job(job, step.kind, at=event.at, outcome=outcome, by=event.recorded_by, **printed)


def _wait_for_lost(wanted: Sequence[WantedStep], standing: set[int], answer: Answer) -> None:
    """The books stay as they were: what acts, acts; the others wait with the first reason."""
    reasons = [errors for state, errors in answer.states.values() if state == State.WAITING]
    for step in wanted:
        if step.event.pk in standing:
            answer.states.pop(step.event.pk, None)
        elif reasons:
            answer.states.setdefault(step.event.pk, (State.WAITING, reasons[0]))


@follows_withdrawal(PrinterEvent)
def project_without(event: PrinterEvent) -> None:
    """The steps that followed from it are withdrawn or follow from the other events."""
    if event.state != State.REFUSED:
        project_print(event.printer, event.print_key)


def retry_waiting(printers: Iterable[int], *, code: str = "") -> None:
    """Looks again at the prints of these printers whose events wait, the first ones first, until none moves.

    code: only those that wait for this, and only so many as a request has time for.
    """
    rows = PrinterEvent.objects.valid().filter(printer__in=list(printers), state=State.WAITING)
    before = -1
    while before != (before := rows.count()) and before:
        waiting = rows.order_by("at", "pk").values_list("printer", "print_key", "errors")
        prints = dict.fromkeys(
            (printer, print_key)
            for printer, print_key, errors in waiting
            if not code or any(error["code"] == code for error in errors)
        )
        for printer_id, print_key in list(prints)[: MOST_AT_ONCE if code else None]:
            with transaction.atomic():
                project_print(Printer.objects.get(pk=printer_id), print_key)


def find_waiting_printers() -> list[int]:
    """The ids of the printers whose events wait. One query."""
    waiting = PrinterEvent.objects.valid().filter(state=State.WAITING)
    return list(waiting.order_by().values_list("printer", flat=True).distinct())
