"""The words of the reasons for an amount."""

from tests.wording import assert_words

AT = "2026-03-01T07:05:00+00:00"  # 8:05 in the shop's zone
WEIGHED = {"at": AT, "gross_g": 1010.4, "step_g": 0.5}
BANDS = {"filament_g": [780.4, 800.6, 820.7], "water_g": [0.0, 10.2, 20.3], "core_g": [190.4, 200.6, 210.7]}
EXAMPLES = {
    "amount_reason.ended": ({"at": AT}, "Out of use since 1 Mar 2026, 08:05."),
    "amount_reason.joined": ({"joined_g": 120.0}, "With 120 g joined onto it since."),
    "amount_reason.label": (
        {"mass_g": 1000.0, "error_pct": 2.0},
        "Received with 1000 g by its label, taken as right within 2% (common practice, no source).",
    ),
    "amount_reason.printed": ({"printed_g": 200.0}, "Less 200 g printed or cut off since."),
    "amount_reason.weighed": (
        WEIGHED,
        "Weighed on 1 Mar 2026, 08:05: 1010 g with the reel, in steps of 0.5 g.",
    ),
    "amount_reason.reel": (
        {"core_g": 200.0, "band_g": 7.0, "known": False},
        "Less the reel, 200 g ± 7 g (assumed).",
    ),
    "amount_reason.dried": ({"most_pct": 0.25}, "Just dried: between 0 and 0.25 % of water taken off."),
    "amount_reason.water_unknown": (
        {"most_pct": 2.8},
        "Water not known: between 0 and 2.8 % (what it takes up at 50 % RH) taken off; half of it for the likely "
        "value.",
    ),
    "amount_reason.weighings_and_moisture": (
        {**WEIGHED, "weighings": 2, **BANDS},
        "Weighed on 1 Mar 2026, 08:05: 1010 g with the reel, in steps of 0.5 g. From its 2 weighings, the grams "
        "printed and the moisture: 801 g (780 g to 821 g) of filament, 10 g (0 g to 20 g) of water and 201 g (190 g to 211 g) "
        "of reel. These are 80 % ranges; the one beside the amount is wider, a 98 % range.",
    ),
    "amount_reason.really_printed": (
        {"recorded_g": 130.0, "real_pct": 95.7, "real_low_pct": 85.3, "real_high_pct": 106.1},
        "Of the 130 g that were recorded as printed, 96 % really left by the scale (85 to 106 %).",
    ),
}


def test_every_code_has_words():
    assert_words(EXAMPLES, "amount_reason")
