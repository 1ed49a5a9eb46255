"""The words of flow checks."""

from tests.wording import assert_words

LOSS = {"flow_mm3_s": 16.0, "loss_pct": 22.04, "baseline_loss_pct": 12.0}
EXAMPLES = {
    "flow.short_at_all_rates": (
        {"short_pct": 7.0},
        "Every blob weighs about 7.0 % less than was commanded, at all rates alike: a wrong diameter or density, "
        "or wrong steps of the drive.",
    ),
    "flow.short_when_slow": (
        {"short_pct": 8.0, "loss_pct": 25.0},
        "It lacks 8.0 % already when slow, and 25.0 % more when fastest: a clog, or a wrong diameter on top of the "
        "usual rise.",
    ),
    "flow.longer_blobs": (
        {"uncertainty_pct": 1.94, "better_pct": 1.0, "length_mm": 1940},
        "With this scale and length a loss is uncertain by 1.9 % (standard uncertainty). 1940 mm a blob would make it "
        "1 %.",
    ),
    "flow.finer_scale": (
        {"uncertainty_pct": 1.94, "better_pct": 1.0},
        "With this scale and length a loss is uncertain by 1.9 % (standard uncertainty). A finer scale would make it "
        "1 %.",
    ),
    "flow.chart_waits": (
        {"start": 3, "missing": 2},
        "The chart starts after 3 checks; 2 more until its first value.",
    ),
    "flow.loss_steady": (
        {"flow_mm3_s": 16.0},
        "The loss at 16 mm³/s is the same as at the start, within the uncertainty of the checks.",
    ),
    "flow.loss_falls": (
        {"flow_mm3_s": 16.0, "since": "2026-03-01T07:05:00+00:00"},
        "The loss at 16 mm³/s falls: signalled since 1 Mar 2026.",
    ),
    "flow.loss_rises": (
        {
            "flow_mm3_s": 16.0,
            "since": "2026-03-01T07:05:00+00:00",
            "limit_pct": 10.0,
            "limit_at": "2026-05-02T07:05:00+00:00",
        },
        "The loss at 16 mm³/s rises: signalled since 1 Mar 2026. At this pace it reaches 10 % about 2 May 2026.",
    ),
    "flow.set_at_most": (
        {"setting_mm3_s": 5.1, "loss_pct": 5.0, "line_mm": 0.45, "layer_mm": 0.2, "speed_mm_s": 56},
        "Set at most 5.1 mm³/s for this filament; that is 56 mm/s with lines of 0.45 x 0.2 mm.",
    ),
    "flow.set_as_tested": (
        {"setting_mm3_s": 8.0, "loss_pct": 5.0, "line_mm": 0.45, "layer_mm": 0.2, "speed_mm_s": 88},
        "Set at most 8 mm³/s for this filament, the fastest that was tested; that is 88 mm/s with lines of 0.45 x 0.2 "
        "mm.",
    ),
    "flow.no_loss": ({"tested_mm3_s": 16.0}, "No loss that counts up to 16 mm³/s."),
    "flow.usual_loss": (
        {"has_baseline": True},
        "The loss grows gradually with the flow, as at the baseline.",
    ),
    "flow.less_loss": (
        LOSS,
        "Less is lost than at the baseline (22.0 % at 16 mm³/s, 12.0 % then): the melt meets less resistance. A "
        "worn bore does that, as does a hotter or cleaner hot end.",
    ),
    "flow.clogged": (
        {**LOSS, "short_more_pct": 3.0},
        "More is lost than at the baseline (22.0 % at 16 mm³/s, 12.0 % then), and 3.0 % more already when slow: a "
        "clog.",
    ),
    "flow.gears_slip": (
        LOSS,
        "More is lost than at the baseline from moderate flow on (22.0 % at 16 mm³/s, 12.0 % then), and nothing "
        "when slow: the drive gears slip, by wear, dirt or a weak spring.",
    ),
    "flow.melt_limit": (
        {"knee_mm3_s": 12.0, "scatter_ratio": 3.21},
        "Hardly any loss up to 12 mm³/s, then a knee, where blobs scatter 3.2 times as much: the hot end melts no "
        "more than that.",
    ),
    "flow_remedy.measure_feed": (
        {},
        "Measure the filament's diameter; measure 100 mm of feed at the drive.",
    ),
    "flow_remedy.clean_and_measure": (
        {},
        "Clean the nozzle with a cold pull, measure the filament's diameter, and check again.",
    ),
    "flow_remedy.clean_nozzle": ({}, "Clean the nozzle with a cold pull, then check again."),
    "flow_remedy.look_at_bore": ({}, "Look at the nozzle's bore."),
    "flow_remedy.brush_gears": (
        {},
        "Brush the drive gears, check their spring, and check again; replace them if it stays.",
    ),
    "flow_remedy.melt_more": ({}, "Print slower or hotter, or use a hot end that melts more."),
}


def test_every_code_has_words():
    assert_words(EXAMPLES, "flow", "flow_remedy")
