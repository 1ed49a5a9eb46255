"""The verdict of a whole job: of each spool in its slot, and of the materials that share a nozzle."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from maintenance.jobs.shares import Share
from maintenance.models import Job, Toolhead
from maintenance.readiness.builder import build_material_inputs
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.rules.mix import MixedMaterial, judge_mix
from maintenance.readiness.verdict import ReadinessCheck, Verdict
from spools.codes import pretty
from spools.models import Spool


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
