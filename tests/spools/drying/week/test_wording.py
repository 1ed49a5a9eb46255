"""The words of week plans."""

import pytest

from spools.drying.week.wording import LEFT_OUT
from spools.statements import Statement
from tests.wording import assert_words

AT = "2026-03-01T07:05:00+00:00"  # 8:05 in the shop's zone
SETTING = {"set_point_c": 77.0, "dryer": "Large"}
CAP = Statement("cap.most", {"limit_c": 80.0, "part": Statement("cap.drying", {"polymer": "PA6"}).as_data()})
HEAT = "it would be more heat than a polyamide may get, as at 77 °C in Large"
EXAMPLES = {
    "week.no_spool": (
        {"material": "PA66"},
        "There is no spool of PA66. Receive one, or choose another material.",
    ),
    "week.amount_too_small": (
        {"mass_g": 5000.0, "spool": "7KD4QM", "low_g": 780.0, "high_g": 820.0},
        "No spool of it surely holds 5000 g: 7KD-4QM has 780 to 820 g. Weigh it, or take another material.",
    ),
    "week.no_dryer": ({}, "It does not print well undried, and there is no dryer. Add one as a place."),
    "week.never_good": (
        {"lacking": [Statement("week.too_much_heat", SETTING).as_data()]},
        f"It does not print well undried, and {HEAT}.",
    ),
    "week.too_much_heat": (SETTING, HEAT),
    "week.no_cool_dryer": ({}, "there is no dryer that may be set as cool as it needs"),
    "week.out_of_reach": (
        {**SETTING, "target_pct": 0.5, "hours": 168, "cap": CAP.as_data(), "error_k": 5.0},
        "no dryer surely reaches 0.5 %: 168 h at 77 °C in Large are not enough, and it may be no hotter (80 °C is the "
        "most for drying PA6, and the dryer may be 5 K off)",
    ),
    "week.earliest": (
        {"good_at": AT},
        "Even with the dryers to itself it prints well only from 1 Mar 2026, 08:05.",
    ),
    "week.others_first": (
        {"good_at": AT},
        "With the dryers to itself it could print well from 1 Mar 2026, 08:05; other spools are dried first.",
    ),
    "week.used_up": (
        {},
        "Its spools are used up by the other prints, or the dryers have too few free hours.",
    ),
    "week.too_few_hours": (
        {},
        "The dryers have too few free hours: with them to itself it would be in time.",
    ),
    "week.drying_dropped": ({}, "Its drying was dropped. Plan again to have it back."),
    "week.drying_broken": ({}, "Its planned drying no longer holds. Plan again."),
    "week.capacity_unknown": (
        {"dryer": "Large"},
        "How many spools fit into Large is not recorded: one at a time is planned. Enter it on the place's page.",
    ),
    "week.pinned_left_out": (
        {"spool": "7KD4QM", "dryer": "Large", "reason": "dryer_taken"},
        "The pinned drying of 7KD-4QM in Large is left out: the dryer is taken then.",
    ),
    "week.never_dry": (
        {"spool": "7KD4QM", "dryer": "Large"},
        "7KD-4QM in Large likely does not get dry: the plan does not count on it.",
    ),
    "week.leave_in": (
        {"spool": "7KD4QM", "dryer": "Large", "dry_at": AT},
        "Leave 7KD-4QM in Large until 1 Mar 2026, 08:05: it is likely dry then.",
    ),
}


def test_every_code_has_words():
    assert_words(EXAMPLES, "week")


def test_a_print_that_no_drying_serves_in_time_has_a_reason():
    sentence = Statement("week.never_good", {"lacking": []}).sentence
    assert sentence.endswith("and no drying can end so that it still prints well at its time.")


@pytest.mark.parametrize("reason", LEFT_OUT)
def test_each_reason_to_leave_out_a_pinned_drying_has_words(reason):
    values = {"spool": "7KD4QM", "dryer": "Large", "reason": reason}
    assert LEFT_OUT[reason] in Statement("week.pinned_left_out", values).sentence
