"""Reports of trouble with their ranked causes, and the outcomes that people record."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from maintenance.checks import require_loaded
from maintenance.models import Job, JobUse, Toolhead, TroubleOutcome, TroubleReport
from maintenance.readiness.inputs import JobSpec
from maintenance.trouble.causes import SYMPTOMS
from maintenance.trouble.evidence import load_evidence
from maintenance.trouble.rules import CauseFinding, EvidenceLine, rank
from spools.checks import require_past_time
from spools.facts import follows_withdrawal
from spools.models import Spool
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_time

Cause = TroubleOutcome.Cause
LONGEST_NOTE = 300


@transaction.atomic
def report_job_trouble(
    job: Job,
    symptoms: Sequence[str],
    *,
    spool: Spool | None = None,
    toolhead: Toolhead | None = None,
    note: str = "",
    by: Any = None,
) -> TroubleReport:
    """A recorded job went wrong. spool, toolhead: which of them, where the job took several.

    Refused: a job that was withdrawn, no signs, a spool or toolhead that the job did not use.
    """
    job = Job.objects.select_for_update(no_key=True, of=("self",)).get(pk=job.pk)
    if job.withdrawn_at is not None:
        raise refusal(
            "withdrawn_already",
            _("This job was withdrawn on {time}.").format(time=format_time(job.withdrawn_at)),
            "job",
        )
    selection = {"spool": spool, "toolhead": toolhead}
    uses = JobUse.objects.filter(job=job, **{name: row for name, row in selection.items() if row is not None})
    uses_of_job = list(uses.select_related("spool", "toolhead"))
    if not uses_of_job:
        message = _("The job did not use that spool and toolhead. Give a toolhead and a spool that it used.")
        raise refusal("not_of_this_job", message, "spool")
    if len(uses_of_job) > 1:
        message = _("The job took several spools. Give the toolhead and the spool that went wrong.")
        raise refusal("several_spools", message, "spool")
    use = uses_of_job[0]
    spec = JobSpec(use.mass_g, job.hours, job.nozzle_c, job.bed_c)
    return _reported(use.toolhead, use.spool, job.start, symptoms, note, by, job, spec)


@transaction.atomic
def report_trouble(
    toolhead: Toolhead,
    spool: Spool,
    symptoms: Sequence[str],
    *,
    at: datetime | None = None,
    note: str = "",
    by: Any = None,
) -> TroubleReport:
    """A print that is not recorded as a job went wrong; at: when it began.

    Refused: no signs, a spool that was not on that toolhead then.
    """
    at = require_past_time(at, spool)
    require_loaded(toolhead, spool, at)
    return _reported(toolhead, spool, at, symptoms, note, by)


def _reported(
    toolhead: Toolhead,
    spool: Spool,
    at: datetime,
    symptoms: Sequence[str],
    note: str,
    by: Any,
    job: Job | None = None,
    spec: JobSpec | None = None,
) -> TroubleReport:
    signs = [symptom for symptom in SYMPTOMS if symptom in symptoms]
    if not signs or {*symptoms} - {*SYMPTOMS}:
        raise refusal(
            "unknown_symptom",
            _("Give the signs that were seen: one or more of {signs}.").format(signs=", ".join(SYMPTOMS)),
            "symptoms",
        )
    note = _short("note", note)
    findings = rank(signs, load_evidence(toolhead, spool, at, signs, spec))
    return TroubleReport.objects.create(
        job=job,
        toolhead=toolhead,
        spool=spool,
        at=at,
        symptoms=signs,
        findings=[asdict(finding) for finding in findings],
        note=note,
        recorded_by=by,
    )


def load_findings(report: TroubleReport) -> list[CauseFinding]:
    """The causes of a report in their order, as they were ranked then."""
    return [
        CauseFinding(
            **finding
            | {
                "lines": [
                    EvidenceLine(line["speaks"], line["weight"], Statement.from_data(line["statement"]))
                    for line in finding["lines"]
                ]
            }
        )
        for finding in report.findings
    ]


@transaction.atomic
def record_outcome(report: TroubleReport, cause: str, *, note: str = "", by: Any = None) -> TroubleOutcome:
    """Records the cause that was found; a later outcome replaces an earlier one. Refused: an unknown cause."""
    if cause not in Cause.values:
        raise refusal(
            "unknown_cause",
            _("Give the cause: one of {causes}.").format(causes=", ".join(Cause.values)),
            "cause",
        )
    return TroubleOutcome.objects.create(
        report=report, cause=cause, note=_short("note", note), recorded_by=by
    )


def _short(field: str, text: str) -> str:
    text = text.strip()
    if len(text) > LONGEST_NOTE:
        message = _("Give at most {count} characters.").format(count=LONGEST_NOTE)
        raise refusal("too_long", message, field)
    return text


@follows_withdrawal(TroubleOutcome)
def rank_without(outcome: TroubleOutcome) -> None:
    """Causes are ranked when trouble is reported: nothing is stored that rests on the outcome."""
