"""The rule "flow" at its limits, over plain data."""

from dataclasses import asdict, replace

import pytest

from maintenance.flow.curve import SAME_C, Usable
from maintenance.readiness.inputs import LastFlowCheck
from maintenance.readiness.rules import judge
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, ReadinessCheck
from spools.statements import Statement
from tests.maintenance.readiness.test_rules import GOOD, acts, says, vary

LAST = LastFlowCheck(
    at="2026-11-03T12:00:00+00:00",
    days_ago=10,
    nozzle_c=GOOD.job.nozzle_c,
    changed=[],
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


@pytest.mark.parametrize(
    ("asked", "state"), [(4, CLEAR), (5, CLEAR), (5.1, CAUTION), (10, CAUTION), (10.1, HOLD)]
)
def test_flow_turns_where_5_percent_may_be_lost_and_where_10_likely_are(asked, state):
    found = flow(asked)
    assert found.state == state
    assert acts(found, "" if state == CLEAR else "change_job")


def test_the_answer_has_number_limit_and_band():
    values = {"max_flow_mm3_s": 12, "checked_at": LAST.at, **asdict(LAST.at_10)}
    assert says(flow(12), "flow_lost", **values)
    slower = {"setting_mm3_s": LAST.at_5.setting_mm3_s}
    assert flow(12).remedy.statement == Statement("readiness.set_flow_at_most", slower)
    assert says(flow(6), "flow_perhaps_lost", **asdict(LAST.at_5))
    assert says(flow(5), "flow_delivered", up_to_mm3_s=5)


def test_a_flow_that_was_not_reached_or_tested_is_never_clear():
    untested = replace(LAST, at_5=Usable(0.05, 8, None, None, None), at_10=Usable(0.10, 8, None, None, None))
    assert flow(8, untested).state == CLEAR
    assert flow(8.1, untested).state == CAUTION
    assert says(flow(8.1, untested), "flow_faster_than_checked", tested_mm3_s=8)
    nearly = replace(untested, at_5=Usable(0.05, 8, 7, None, None))
    assert says(flow(7.5, nearly), "flow_perhaps_lost", loss=0.05, low_mm3_s=7, likely_mm3_s=None)


def test_a_material_without_a_check_is_a_caution():
    assert flow(5, None).state == CAUTION
    filled = flow(5, None, filler="glass fibre", filler_hv=500)
    assert says(filled, "flow_unchecked", material="PA6 with glass fibre", toolhead="North T0")


def test_an_old_check_and_other_parts_are_cautions():
    assert flow(5, replace(LAST, days_ago=60)).state == CLEAR
    old = flow(5, replace(LAST, days_ago=60.1))
    assert says(old, "flow_check_old", days_ago=60.1, limit_days=60) and acts(old, "check_flow")
    # The loss with other parts is no reason to hold the job.
    other = flow(12, replace(LAST, changed=["gears"]))
    assert other.state == CAUTION and says(other, "flow_checked_before_change", changed=["gears"])


def test_a_cooler_job_was_not_checked():
    hot = replace(LAST, nozzle_c=GOOD.job.nozzle_c + 6)
    assert flow(5, hot).state == CAUTION and says(flow(5, hot), "flow_cooler_than_checked", nozzle_c=265)
    assert flow(5, replace(LAST, nozzle_c=GOOD.job.nozzle_c - 6)).state == CLEAR


@pytest.mark.parametrize(("cooler_k", "state"), [(SAME_C, CLEAR), (SAME_C + 0.1, CAUTION)])
def test_a_job_counts_as_cooler_beyond_the_tolerance(cooler_k, state):
    assert flow(5, replace(LAST, nozzle_c=GOOD.job.nozzle_c + cooler_k)).state == state
