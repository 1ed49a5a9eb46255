"""The rule "flow" at its limits, over plain data."""

from dataclasses import replace

import pytest

from maintenance.flow.curve import SAME_C, Usable
from maintenance.readiness.inputs import LastFlowCheck
from maintenance.readiness.rules import judge
from maintenance.readiness.rules.feeding import FLOW_OLD_DAYS
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, ReadinessCheck
from tests.maintenance.readiness.test_rules import GOOD, vary

LAST = LastFlowCheck(
    on="03 Nov 2026",
    days_ago=10,
    nozzle_c=GOOD.job.nozzle_c,
    changed="",
    at_5=Usable(0.05, 16, 5, 6, 7),
    at_10=Usable(0.10, 16, 9, 10, None),
)


def flow(max_flow_mm3_s: float | None, last: LastFlowCheck | None = LAST, **values) -> ReadinessCheck | None:
    material = vary(**values).material.name
    values["flow_checks"] = {} if last is None else {material: last}
    checks = judge(vary(max_flow_mm3_s=max_flow_mm3_s, **values)).checks
    return next((check for check in checks if check.name == "flow"), None)


def test_a_job_without_a_stated_flow_is_not_judged_by_it():
    assert flow(None) is None


@pytest.mark.parametrize(("asked", "state"), [(5, CLEAR), (5.1, CAUTION), (10, CAUTION), (10.1, HOLD)])
def test_flow_turns_where_5_percent_may_be_lost_and_where_10_likely_are(asked, state):
    found = flow(asked)
    assert found.state == state
    assert bool(found.remedy) == (state != CLEAR)


def test_the_sentence_has_number_limit_and_range():
    assert flow(12).sentence == (
        "The job asks up to 12 mm³/s; the flow check of 03 Nov 2026 lost 10 % at 10 (9 to over 16) mm³/s."
    )


def test_a_flow_that_was_not_reached_or_tested_is_never_clear():
    untested = replace(LAST, at_5=Usable(0.05, 8, None, None, None), at_10=Usable(0.10, 8, None, None, None))
    assert flow(8, untested).state == CLEAR
    assert flow(8.1, untested).state == CAUTION and "no further than 8" in flow(8.1, untested).sentence
    nearly = replace(untested, at_5=Usable(0.05, 8, 7, None, None))
    assert "lost 5 % perhaps from 7 mm³/s on" in flow(7.5, nearly).sentence


def test_a_material_without_a_check_is_a_caution():
    assert flow(5, None).state == CAUTION
    assert "flow check of PA6 with glass fibre" in flow(5, None, filler="glass fibre", filler_hv=500).sentence


def test_an_old_check_and_other_parts_are_cautions():
    assert flow(5, replace(LAST, days_ago=FLOW_OLD_DAYS)).state == CLEAR
    assert flow(5, replace(LAST, days_ago=FLOW_OLD_DAYS + 1)).action == "check_flow"
    # The loss with other parts is no reason to hold the job.
    other = flow(12, replace(LAST, changed="drive gears"))
    assert other.state == CAUTION and "before a change of drive gears" in other.sentence


def test_a_cooler_job_was_not_checked():
    hot = replace(LAST, nozzle_c=GOOD.job.nozzle_c + 6)
    assert flow(5, hot).state == CAUTION and "265 °C" in flow(5, hot).sentence
    assert flow(5, replace(LAST, nozzle_c=GOOD.job.nozzle_c - 6)).state == CLEAR


@pytest.mark.parametrize(("cooler_k", "state"), [(SAME_C, CLEAR), (SAME_C + 0.1, CAUTION)])
def test_a_job_counts_as_cooler_beyond_the_tolerance(cooler_k, state):
    assert flow(5, replace(LAST, nozzle_c=GOOD.job.nozzle_c + cooler_k)).state == state
