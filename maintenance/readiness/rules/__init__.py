"""Readiness: may this spool be printed on this toolhead, for this job? Pure rules over plain data.

A verdict is the worst of its checks. An unknown is never clear: it is a caution that says what to record or
measure. The rules stand in three lists by what they read, so that what many pairs share is judged once; a
rule returns None where it does not apply.
"""

from collections.abc import Callable, Iterable

from maintenance.readiness.inputs import (
    JobSpec,
    MaterialInputs,
    PrintSite,
    ReadinessInputs,
    SpoolInputs,
    ToolheadInputs,
)
from maintenance.readiness.rules.busy import busy
from maintenance.readiness.rules.feeding import feed_path, flow, retraction
from maintenance.readiness.rules.material import diameter, drying, material, moisture, quantity
from maintenance.readiness.rules.parts import (
    abrasion,
    gear_abrasion,
    gear_life,
    liner_life,
    nozzle_fitted,
    nozzle_life,
    other_lives,
)
from maintenance.readiness.rules.service import residue, service
from maintenance.readiness.rules.temperature import air, temperature
from maintenance.readiness.verdict import ReadinessCheck, Verdict

# Of the spool, with the air and the feed path where it would be printed.
SPOOL_RULES: list[Callable[[SpoolInputs, PrintSite, MaterialInputs, JobSpec], ReadinessCheck | None]] = [
    busy,
    drying,
    moisture,
    quantity,
]
TOOLHEAD_RULES: list[Callable[[ToolheadInputs, JobSpec], ReadinessCheck | None]] = [nozzle_fitted, retraction]
# Of a material on a toolhead: the same for all spools of a feedstock.
PAIR_RULES: list[Callable[[MaterialInputs, ToolheadInputs, JobSpec], ReadinessCheck | None]] = [
    material,
    abrasion,
    gear_abrasion,
    nozzle_life,
    gear_life,
    liner_life,
    other_lives,
    temperature,
    flow,
    feed_path,
    diameter,
    residue,
    air,
    service,
]
# The order of the checks in a verdict, by their names.
ORDER = [
    "material",
    "busy",
    "drying",
    "moisture",
    "quantity",
    "nozzle",
    "abrasion",
    "gears",
    "nozzle life",
    "gear life",
    "liner life",
    "other parts",
    "temperature",
    "flow",
    "feed path",
    "diameter",
    "retraction",
    "residue",
    "air",
    "service",
]


def judge(inputs: ReadinessInputs) -> Verdict:
    """The verdict: every rule asked."""
    material, toolhead, job = inputs.material, inputs.toolhead, inputs.job
    return Verdict(
        sorted(
            [
                *judge_spool(inputs.spool, inputs.site, material, job),
                *judge_toolhead(toolhead, job),
                *judge_pair(material, toolhead, job),
            ],
            key=lambda check: ORDER.index(check.name),
        )
    )


def judge_spool(
    spool: SpoolInputs, site: PrintSite, material: MaterialInputs, job: JobSpec
) -> list[ReadinessCheck]:
    return _applying(rule(spool, site, material, job) for rule in SPOOL_RULES)


def judge_toolhead(toolhead: ToolheadInputs, job: JobSpec) -> list[ReadinessCheck]:
    return _applying(rule(toolhead, job) for rule in TOOLHEAD_RULES)


def judge_pair(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> list[ReadinessCheck]:
    return _applying(rule(material, toolhead, job) for rule in PAIR_RULES)


def _applying(answers: Iterable[ReadinessCheck | None]) -> list[ReadinessCheck]:
    return [answer for answer in answers if answer is not None]
