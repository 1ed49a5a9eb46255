"""The shares of a job that is judged or recorded, and the verdict of all of them: of each spool, and of their mix."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import NotRequired, TypedDict

from django.db.models import Q
from django.utils.translation import gettext as _

from maintenance import limits
from maintenance.jobs.shares import Share
from maintenance.models import Job, Loading, Toolhead
from maintenance.readiness.builder import build_material_inputs, verdict
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.rules.mix import MixedMaterial, judge_mix
from maintenance.readiness.verdict import ReadinessCheck, Verdict
from spools.checks import require_within
from spools.codes import pretty
from spools.models import Spool
from spools.refusals import refusal


@dataclass(frozen=True)
class PartVerdict:
    """The verdict of one spool of a job in a slot of a toolhead. spool, nozzle_c: None where there is none."""

    toolhead: Toolhead
    slot: int
    spool: Spool | None
    nozzle_c: float | None
    verdict: Verdict


def build_share_spec(job: Job, share: Share, hours: float) -> JobSpec:
    """A share of a job that was planned, as it is judged."""
    return JobSpec(
        share.mass_g,
        hours,
        share.nozzle_c or job.nozzle_c,
        job.bed_c,
        job.max_flow_mm3_s,
        changes=share.changes,
        purge_g=share.purge_g,
    )


def combine_verdicts(parts: Sequence[PartVerdict]) -> Verdict:
    """One verdict for a job of several spools: all checks, each with the spool and slot that it is about."""
    if len(parts) == 1:
        return parts[0].verdict
    checks = [
        replace(check, spool=pretty(part.spool.code), slot=part.slot if part.toolhead.slots > 1 else 0)
        if part.spool
        else check
        for part in parts
        for check in part.verdict.checks
    ]
    return Verdict([*_judge_mixes(parts), *checks])


def _judge_mixes(parts: Sequence[PartVerdict]) -> list[ReadinessCheck]:
    """A check for each toolhead on which spools of several slots are changed while it is hot."""
    mixed: dict[int, list[MixedMaterial]] = {}
    for part in parts:
        if part.toolhead.slots > 1 and part.spool is not None and part.nozzle_c is not None:
            material = MixedMaterial(build_material_inputs(part.spool.feedstock).purge, part.nozzle_c)
            mixed.setdefault(part.toolhead.pk, []).append(material)
    return [check for materials in mixed.values() if (check := judge_mix(materials))]


class PrintDetails(TypedDict):
    """The numbers of a print, and what became of it.

    retracted_m: filament pulled back by all its retractions together, if known. stage: see store_job. parts,
    good_parts, reason: as of Outcome. project: or customer, for reports. more: other spools in slots of the toolhead, and
    their grams. changes: of spool in all, which purge evenly from each spool, beside its grams.
    """

    mass_g: float
    hours: float
    nozzle_c: float
    bed_c: float
    max_flow_mm3_s: NotRequired[float | None]
    retracted_m: NotRequired[float | None]
    stage: NotRequired[str | None]
    reprint_of: NotRequired[Job | None]
    parts: NotRequired[int | None]
    good_parts: NotRequired[int | None]
    reason: NotRequired[str]
    project: NotRequired[str]
    more: NotRequired[Sequence[tuple[Spool, float]]]
    changes: NotRequired[float | None]


@dataclass(frozen=True)
class JobShare:
    """The share of one spool in a job, through one toolhead. later: it is loaded while the job runs.

    retracted_m: filament pulled back by all its retractions together, where that is known. numbers: of the spools
    of its file that it stands for. printed: the part of it that it took, of a job that stopped early. slot: that the
    spool is in.
    """

    toolhead: Toolhead
    spool: Spool
    spec: JobSpec
    later: bool = False
    retracted_m: float | None = None
    numbers: tuple[int, ...] = ()
    printed: float | None = None
    slot: int = 1

    def __post_init__(self) -> None:
        if self.retracted_m is not None:
            require_within("retracted_m", self.retracted_m, *limits.RETRACTED_M)

    @property
    def whole(self) -> Share:
        """What it takes where it runs to its end."""
        return Share(
            self.toolhead.pk,
            self.spool.pk,
            self.spec.mass_g,
            self.retracted_m,
            list(self.numbers),
            self.slot,
            self.spec.changes,
            self.spec.purge_g,
            self.spec.nozzle_c,
        )

    @property
    def taken(self) -> Share:
        """What it took."""
        return self.whole if self.printed is None else self.whole.scaled(self.spec.mass_g * self.printed)


def build_shares(toolhead: Toolhead, spool: Spool, details: PrintDetails) -> list[JobShare]:
    """The shares of a print by hand, that of the first spool first. Refused: a spool twice, a count that cannot be."""
    grams = [(spool, details["mass_g"]), *details.get("more", ())]
    if len({row.pk for row, _ in grams}) < len(grams):
        raise refusal("spool_twice", _("Give each spool once, with all its grams."), "more")
    changes = require_within("changes", details.get("changes") or 0.0, *limits.CHANGES) / len(grams)
    purge_g = changes * toolhead.purge_g
    return [
        JobShare(
            toolhead,
            row,
            JobSpec(
                mass_g + purge_g,
                details["hours"],
                details["nozzle_c"],
                details["bed_c"],
                details.get("max_flow_mm3_s"),
                changes=changes,
                purge_g=purge_g,
            ),
            retracted_m=details.get("retracted_m") if row is spool else None,
        )
        for row, mass_g in grams
    ]


def judge_shares(shares: Sequence[JobShare], at: datetime | None = None) -> Verdict:
    """The verdict of a whole job, now or at a past time."""
    return combine_verdicts(
        [
            PartVerdict(
                s.toolhead, s.slot, s.spool, s.spec.nozzle_c, verdict(s.toolhead, s.spool, s.spec, at=at)
            )
            for s in shares
        ]
    )


def fill_slots(shares: Sequence[JobShare], at: datetime) -> list[JobShare]:
    """With the slots that the spools were in, where a toolhead has several. No query in a shop without such."""
    heads = {share.toolhead.pk for share in shares if share.toolhead.slots > 1}
    if not heads:
        return list(shares)
    lasting = Loading.objects.filter(Q(end=None) | Q(end__gt=at), toolhead__in=heads, start__lte=at)
    slots = {(head, spool): slot for head, spool, slot in lasting.values_list("toolhead", "spool", "slot")}
    return [replace(s, slot=slots.get((s.toolhead.pk, s.spool.pk), s.slot)) for s in shares]
