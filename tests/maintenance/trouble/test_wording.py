"""The words of trouble."""

import pytest

from maintenance.trouble import wording
from maintenance.trouble.causes import CAUSES, NATURE, OUTSIDE
from spools.statements import Statement
from tests.wording import assert_words

AT = "2026-11-03T07:05:00+00:00"  # 8:05 in the shop's zone
READING = Statement("flow.usual_loss", {"has_baseline": True}).as_data()
DRIED = {"set_point_c": 75.0, "dried_h": 60.2, "until": AT}
LAST_DRIED = "It was last dried at 75 °C for 60 h, until 3 Nov 2026, 08:05."
WATER = {"mass_g": 50.0, "water_pct": 1.2, "water_low_pct": 0.9, "water_high_pct": 1.6, "polymer": "PA6"}
WATER |= {"limit_clear_pct": 0.5, "limit_hold_pct": 0.75}
WATER |= {"last_drying": Statement("trouble.last_dried", DRIED).as_data()}
USE = {"part": "soft gears", "age": 60.0, "unit": "feed_km", "used_up_pct": 29.8}
USE |= {"left": 40.0, "left_low": 0.5, "left_high": 300.0}
CUT = {"part": "soft gears", "mass_g": 840.0, "fillers": [{"name": "carbon fibre", "hardness_hv": 340.0}]}
SERVICE = {
    "where": "North T0",
    "service": "hot-end cleaning",
    "used": 12.0,
    "interval": 50.0,
    "unit": "hot_h",
}
CUT_BY = "840 g with carbon fibre (340 HV) had passed the soft gears,"

EXAMPLES = {
    "trouble.sign": ({"sign": "pops", "typical": "telling"}, "Popping, steam or bubbles: telling sign."),
    "trouble.found_before": (
        {"times": 2, "last_at": AT},
        "Found here 2 times with such a sign, last on 3 Nov 2026.",
    ),
    "trouble.flow_check": (
        {"checked_at": AT, "reason": READING},
        "The flow check of 3 Nov 2026: The loss grows gradually with the flow, as at the baseline.",
    ),
    "trouble.moisture_unknown": (
        {},
        "The moisture of the turns is not known. Record where the spool has been.",
    ),
    "trouble.outer_turns": (
        WATER,
        "The wettest 50 g that were printed held 1.2 % (0.9 to 1.6 %); PA6 prints well up to 0.5 %, the print limit is "
        f"0.75 %. {LAST_DRIED}",
    ),
    "trouble.last_dried": (DRIED, LAST_DRIED),
    "trouble.never_dried": ({}, "It had not been dried since it came."),
    "trouble.not_soft": ({"polymer": "PLA"}, "PLA is stiff enough for any feed path."),
    "trouble.drive_on_toolhead": ({}, "The drive sits on the toolhead: the way is short."),
    "trouble.soft_in_tube": (
        {"polymer": "TPU 85A"},
        "TPU 85A is soft and the drive pushes it through a long tube (common practice, no source).",
    ),
    "trouble.same_spool_before": (
        {},
        "The same spool was printed here before, without a change of material.",
    ),
    "trouble.first_after_change": (
        {
            "change": {
                "code": "purging.particles_come_out",
                "values": {"old": "PA6", "filler": "carbon fibre"},
            }
        },
        "It was the first print after a change. PA6 with carbon fibre was in it last: its particles come out "
        "for a while.",
    ),
    "trouble.loose_turns": (
        {"left_g": 599.6},
        "About 600 g were on the spool: no tight turns near the core.",
    ),
    "trouble.tight_turns": (
        {"left_g": 80.0},
        "Only about 80 g were on the spool: the turns near the core are tight.",
    ),
    "trouble.no_ptfe": ({}, "No PTFE reaches into this hot end."),
    "trouble.habit": (
        {"polymer": "PETG", "habit": "strings"},
        "PETG pulls strings easily, even dry and on a sound machine (common practice, no source).",
    ),
    "trouble.other_polymer": ({"polymer": "PLA"}, "PLA does not usually do this."),
    "trouble.part_unknown": (
        {"role": "gears"},
        "There is no record of its drive gears, so the wear is not known.",
    ),
    "trouble.part_use": (
        USE,
        "The soft gears had done 179 kg of filament, with 119 (1.5 to 895) left: 30 % likely to be used up.",
    ),
    "trouble.part_cut": ({**CUT, "hardness_hv": 105.0}, f"{CUT_BY} hard enough to cut its 105 HV."),
    "trouble.service_unknown": ({}, "Its last cleaning is not recorded."),
    "trouble.service_progress": (
        {**SERVICE, "recorded": True},
        "North T0: 12 of 50 hot hours since the last hot-end cleaning.",
    ),
}


def test_every_reason_has_words():
    assert_words(EXAMPLES, "trouble")


@pytest.mark.parametrize(
    ("code", "values", "sentence"),
    [
        (
            "found_before",
            {"times": 1, "last_at": AT},
            "Found here once with such a sign, last on 3 Nov 2026.",
        ),
        (
            "part_cut",
            {**CUT, "hardness_hv": None},
            f"{CUT_BY} assumed to be cut by it: its hardness is not known.",
        ),
        (
            "service_progress",
            {**SERVICE, "recorded": False},
            "North T0: 12 of 50 hot hours and no hot-end cleaning is recorded.",
        ),
    ],
)
def test_sentences_follow_their_values(code, values, sentence):
    assert Statement(f"trouble.{code}", values).sentence == sentence


def test_every_cause_has_a_title_a_test_and_a_remedy():
    for cause in CAUSES:
        assert Statement(f"trouble_cause.{cause}").sentence
        for subject in ("test", "remedy"):
            assert Statement(f"trouble_{subject}.{cause}").sentence.endswith(".")
    assert set(wording.OUTSIDE) == {cause for causes in OUTSIDE.values() for cause in causes}
    assert set(wording.HABITS) == {habit for habits in NATURE.values() for habit in habits.values()}
