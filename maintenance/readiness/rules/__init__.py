"""Readiness: may this spool be printed on this toolhead, for this job? Pure rules over plain data.

A verdict is the worst of its checks. An unknown is never clear: it is a caution that says what to record or
measure. Each rule is a function of ReadinessInputs, listed in RULES; it returns None where it does not apply.
"""

from collections.abc import Callable

from maintenance.readiness.inputs import ReadinessInputs
from maintenance.readiness.rules.feeding import flow, retraction
from maintenance.readiness.rules.material import diameter, drying, moisture, quantity
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

RULES: list[Callable[[ReadinessInputs], ReadinessCheck | None]] = [
    drying,
    moisture,
    quantity,
    nozzle_fitted,
    abrasion,
    gear_abrasion,
    nozzle_life,
    gear_life,
    liner_life,
    other_lives,
    temperature,
    flow,
    diameter,
    retraction,
    residue,
    air,
    service,
]


def judge(situation: ReadinessInputs) -> Verdict:
    """The verdict: every rule asked."""
    answers = (rule(situation) for rule in RULES)
    return Verdict([answer for answer in answers if answer is not None])
