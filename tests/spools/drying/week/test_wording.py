"""The words of week plans."""

import pytest

from spools.drying.week.wording import LEFT_OUT
from spools.statements import Statement
from tests.wording import assert_words

AT = "2026-03-01T07:05:00+00:00"  # 8:05 in the shop's zone
SPOOL = {"spool": "7KD4QM"}
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
        "No spool of it surely holds 5000 g: 7KD-4QM has 780 g to 820 g. Weigh it, or take another material.",
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
        "no dryer surely reaches 0.5 %: 7 days at 77 °C in Large are not enough, and it may be no hotter (80 °C is the "
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
    "week.late": (
        {"request": "Bracket, 200 g of PA66", "good_at": AT, "late_h": 3.25},
        "Bracket, 200 g of PA66 prints well only from 1 Mar 2026, 08:05, 3.25 h late.",
    ),
    "violation.spool_ended": (
        SPOOL | {"ended_at": AT},
        "Spool 7KD-4QM is out of use since 1 Mar 2026, 08:05.",
    ),
    "violation.drying_already": (
        SPOOL | {"dryer": "Large", "since": AT},
        "Spool 7KD-4QM is drying in Large since 1 Mar 2026, 08:05.",
    ),
    "violation.in_a_print": (
        SPOOL | {"print": "Bracket", "start": AT, "end": AT},
        "Spool 7KD-4QM is in Bracket from 1 Mar 2026, 08:05 to 1 Mar 2026, 08:05.",
    ),
    "violation.begun_late": (
        SPOOL | {"dryer": "Large", "start": AT},
        "Spool 7KD-4QM should have gone into Large on 1 Mar 2026, 08:05.",
    ),
    "violation.nobody_puts_in": (
        SPOOL | {"at": AT},
        "Nobody is there on 1 Mar 2026, 08:05 to put 7KD-4QM in.",
    ),
    "violation.nobody_takes_out": (
        SPOOL | {"at": AT},
        "Nobody is there on 1 Mar 2026, 08:05 to take 7KD-4QM out.",
    ),
    "violation.above_cap": (
        SPOOL | {"set_point_c": 90.0, "cap": CAP.as_data()},
        "90 °C is too hot: 80 °C is the most for drying PA6.",
    ),
    "violation.above_start_cap": (
        SPOOL | {"set_point_c": 90.0, "cap": CAP.as_data()},
        "90 °C is too hot to start at: 80 °C is the most for drying PA6.",
    ),
    "violation.dryer_full": (
        SPOOL | {"dryer": "Large", "at": AT, "spools": 3},
        "Large is full on 1 Mar 2026, 08:05: 3 spools would be in it.",
    ),
    "violation.two_set_points": (
        SPOOL | {"spools": ["7KD4QM", "9RYWKV"], "dryer": "Large"},
        "7KD-4QM and 9RY-WKV are both in Large then, and it cannot be set to both of their temperatures.",
    ),
    "violation.takes_smell": (
        SPOOL | {"spools": ["7KD4QM", "9RYWKV"], "dryer": "Large", "smell": "styrene"},
        "7KD-4QM and 9RY-WKV are both in Large then, and one takes on the smell of the other (styrene).",
    ),
    "violation.too_much_heat": (
        SPOOL | {"stages": [[60.0, 2.0], [90.0, 40.0]], "run_share": 1.2, "life_share": 0.4},
        "2 h at 60 °C, then 40 h at 90 °C: more heat than a polyamide may have (120 %).",
    ),
    "violation.not_dry_enough": (
        SPOOL | {"stages": [[70.0, 2.0]], "target_pct": 0.2, "over": 0.9},
        "After 2 h at 70 °C spool 7KD-4QM is likely not below 0.2 % (90 % chance of more).",
    ),
    "violation.not_enough_filament": (SPOOL, "Spool 7KD-4QM does not surely hold that much any more."),
    "violation.over_print_limit": (
        SPOOL | {"limit_pct": 0.2, "due": AT, "over": 0.4},
        "Spool 7KD-4QM may be over the print limit of 0.2 % by 1 Mar 2026, 08:05 (40 % chance).",
    ),
    "violation.drying_broken": (
        SPOOL,
        "It waits for the drying of 7KD-4QM, which does not hold any more.",
    ),
}


def test_every_code_has_words():
    assert_words(EXAMPLES, "week", "violation")


@pytest.mark.parametrize(
    ("over", "words"), [(0.21, "may be"), (0.5, "may be"), (0.51, "is likely"), (1.0, "is likely")]
)
def test_a_chance_below_half_is_not_called_likely(over, words):
    values = {"spool": "7KD4QM", "limit_pct": 0.2, "due": AT, "over": over}
    assert words in Statement("violation.over_print_limit", values).sentence


def test_a_print_that_no_drying_serves_in_time_has_a_reason():
    sentence = Statement("week.never_good", {"lacking": []}).sentence
    assert sentence.endswith("and no drying can end so that it still prints well at its time.")


@pytest.mark.parametrize("reason", LEFT_OUT)
def test_each_reason_to_leave_out_a_pinned_drying_has_words(reason):
    values = {"spool": "7KD4QM", "dryer": "Large", "reason": reason}
    assert str(LEFT_OUT[reason]) in Statement("week.pinned_left_out", values).sentence
