"""The words of the reasons for a life."""

from maintenance.parts.wording import format_records
from tests.wording import assert_words

AT = "2026-03-01T07:05:00+00:00"  # 8:05 in the shop's zone
LIFE = {"life": [0.055, 0.17, 0.49], "unit": "filled_kg"}
BAND = "170 (55 to 490) g of fibre-filled filament"
EXAMPLES = {
    "life_reason.age": ({"age": 12.0, "unit": "hot_h"}, "Its jobs add up to 12 hot hours."),
    "life_reason.stated": (
        {**LIFE, "part": "brass 0.4", "source": "invented", "how": "from memory"},
        f"Stated of the brass 0.4: {BAND}. invented (from memory).",
    ),
    "life_reason.own_parts": (
        {**LIFE, "records": {"worn": 3, "removed": 0, "in_use": 1}},
        f"Together with this shop's own parts (3 worn, 1 in use): {BAND}.",
    ),
    "life_reason.prior_use": (
        {"amount": 8.0, "stated_in": "months", "entered": 695.0, "unit": "hours"},
        "It was used before: 8 months on a printer, taken as 695 hours of printing.",
    ),
    "life_reason.sound": ({"age": 5.0, "unit": "days"}, "It was taken off sound at 5 days."),
    "life_reason.bore": (
        {**LIFE, "bore_mm": 0.42, "error_mm": 0.004, "measured_at": AT, "worn_mm": 0.45},
        f"Its bore was 0.42 mm (± 0.004) on 1 Mar 2026, 08:05 and is worn out at 0.45 mm. So it should last {BAND} in "
        "all.",
    ),
    "consumable.lasts": (
        {"at": AT, "early_at": AT, "late_at": AT, "a_month": 4.3, "unit": "g", "days": 90},
        "Lasts until about 1 Mar 2026 (1 Mar 2026 to 1 Mar 2026) at 4.3 g a month: services as they come due, other use "
        "as in the last 90 days.",
    ),
    "life_reason.rate": (
        {"used": 40.0, "unit": "prints", "days": 30},
        "Present rate: 40 prints in 30 days, from the last 30 or since it was fitted.",
    ),
}


def test_every_code_has_words():
    assert_words(EXAMPLES, "life_reason", "consumable")


def test_records_are_counted_by_how_they_ended():
    assert format_records(worn=1, removed=2, in_use=0) == "1 worn, 2 taken off before that"
    assert format_records(worn=0, removed=0, in_use=0) == ""
