"""The words of the reasons for moisture."""

import pytest

from spools.catalogue.members import start_rh
from spools.moisture.wording import ARRIVED, DECIDED_BY, ORIGIN
from spools.statements import Statement
from tests.wording import assert_words

AT = "2026-03-01T07:05:00+00:00"  # 8:05 in the shop's zone
EXAMPLES = {
    "decided_by.hygrometer": (
        {"share_pct": 49.6, "remedy": "salt_check", "place": "Dry box", "place_id": 3},
        "50 % of its range comes from the hygrometer of Dry box, which may be off by 5 % RH: a salt check (75 % RH over "
        "wet table salt at 25 °C) narrows it.",
    ),
    **{
        code: (
            {"share_pct": 49.6, "remedy": "weigh", "place": "Dryer", "place_id": 3},
            str(words).format(share_pct=49.6, place="Dryer"),
        )
        for code, words in DECIDED_BY.items()
        if code != "decided_by.hygrometer"
    },
    "moisture_reason.taught": (
        {"spools": 20},
        "Learnt from spools of this feedstock that were weighed before it came (20).",
    ),
    "moisture_reason.feedstock_taught": (
        {
            "spools": 20,
            "w50_low_pct": 2.31,
            "w50_high_pct": 2.78,
            "d23_low_m2_s": 1.1e-13,
            "d23_high_m2_s": 2.3e-13,
            "start_low_rh_pct": 9.6,
            "start_high_rh_pct": 18.2,
        },
        "Learnt from weighed spools (20): it takes up 2.3 to 2.8 % water at 50 % RH, its diffusivity at 23 °C is 1.1e-13 to "
        "2.3e-13 m²/s, and a sealed spool arrives in equilibrium with 10 to 18 % RH (80 % ranges). Spools received "
        "from now on start with that.",
    ),
    "moisture_reason.in_unopened_bag": (
        {"place": "Bags", "since": AT},
        "In its unopened bag in Bags: it takes up and gives off nothing. Nothing recorded since it came on "
        "1 Mar 2026, 08:05 has opened the bag; loading, drying and printing do.",
    ),
    "moisture_reason.bag_opened": (
        {"at": AT, "by": "loaded"},
        "Its bag counts as opened since 1 Mar 2026, 08:05: it was loaded then.",
    ),
    "moisture_reason.air": (
        {"place": "Shelf", "temperature_c": 22.4, "rh_pct": 55.2, "origin": "assumed"},
        "In Shelf: 22 °C and 55 % RH, assumed, no reading in the last 6 h.",
    ),
    "moisture_reason.start": (
        {"rh_pct": 25.0, "rh_low_pct": 10.0, "rh_high_pct": 40.0, "arrived": "sealed_card_unread"},
        "Assumed to have arrived in equilibrium with 25 % RH (10 to 40): it came sealed, without a card that was read "
        "(common practice, no source; even a factory-sealed spool may be wet).",
    ),
    "moisture_reason.last_dried": (
        {"stages": [[60.0, 2.0], [75.0, 9.8]], "until": AT},
        "Last dried: 2 h at 60 °C, then 10 h at 75 °C, until 1 Mar 2026, 08:05.",
    ),
    "moisture_reason.never_dried": ({}, "Not dried since it came."),
    "moisture_reason.grades": (
        {"polymer": "PA6", "uptake_grade": "A", "rate_grade": "C"},
        "Data on PA6: uptake of grade A, rate of grade C (A: two sources agree, B: one good source, C: one weak or "
        "borrowed source, D: from memory).",
    ),
    "moisture_reason.never_weighed": ({}, "Never weighed: the ranges are those of the catalogue."),
    "moisture_reason.weighings": (
        {"used": 1, "count": 2},
        "1 of its 2 weighings narrows the likely range; pairs around a drying run narrow it most.",
    ),
    "moisture_reason.unexplained_weighing": (
        {"at": AT, "off_g": -66.1},
        "On 1 Mar 2026, 08:05 the scale read 66 g less than anything recorded explains: a print or a cut that was not "
        "recorded, or a wrong weighing. It does not count for the water; a wrong weighing can be withdrawn in the "
        "history.",
    ),
}


def test_every_code_has_words():
    assert_words(EXAMPLES, "moisture_reason", "decided_by")


@pytest.mark.parametrize(
    ("used", "count", "words"),
    [
        (1, 1, "Its weighing narrows"),
        (0, 1, "Its weighing does not narrow"),
        (3, 3, "Its 3 weighings narrow"),
        (0, 3, "None of its 3 weighings narrows"),
        (2, 3, "2 of its 3 weighings narrow"),
    ],
)
def test_weighings_are_counted(used, count, words):
    sentence = Statement("moisture_reason.weighings", {"used": used, "count": count}).sentence
    assert sentence.startswith(f"{words} the likely range")


def test_a_spool_that_is_too_heavy_may_be_another_one():
    sentence = Statement("moisture_reason.unexplained_weighing", {"at": AT, "off_g": 84.0}).sentence
    assert "84 g more than anything recorded explains: another spool or reel" in sentence


def test_each_origin_of_air_and_each_way_to_arrive_has_words(spool):
    assert set(ORIGIN) == {"reading", "computed", "assumed", "dryer"}
    arrived = set()
    for sealed in (True, False):
        for card in spool.Card.values:
            spool.sealed, spool.card = sealed, card
            arrived.add(start_rh(spool)[1].values["arrived"])
    assert arrived == set(ARRIVED)
