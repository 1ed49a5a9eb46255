"""The words of dry boxes."""

from spools.models import DesiccantCharge
from spools.statements import Statement
from tests.wording import assert_words

AT = "2026-03-01T07:05:00+00:00"  # 8:05 in the shop's zone
CHARGE = {"kind": "silica_gel", "dry_mass_g": 200.0, "condition": "regenerated", "regenerated_c": 120.0}
DESICCANT = Statement("desiccant.charge", CHARGE).as_data()
ASSUMED = Statement("air.assumed", {"believed_h": 6.0})
AIR = {"measured_rh_pct": 30, "computed_rh_pct": 12}
EXAMPLES = {
    "dry_box.spent": (
        {**AIR, "room_rh_pct": 55},
        "Measured 30 % RH, computed 12 %, in a room of 55 %: likely spent desiccant. Regenerate it.",
    ),
    "dry_box.leak": (
        AIR,
        "Measured 30 % RH, computed 12 %, and the desiccant should have much left: likely a leak. Look at lid, "
        "gasket and tube holes, and measure the half-time again with the box empty.",
    ),
    "dry_box.drier": (
        AIR,
        "Measured 30 % RH, computed 12 %: the box is tighter than recorded, or the hygrometer reads low. A salt "
        "check settles it.",
    ),
    "dry_box.drier_checked": (
        AIR,
        "Measured 30 % RH, computed 12 %: the hygrometer was checked, so the box is tighter than recorded. Measure its "
        "half-time again.",
    ),
    "air.hygrometer_checked": ({"off_rh_pct": 2.3, "at": AT}, "reads 2 % RH high; checked 1 Mar 2026"),
    "dry_box.not_computed": (
        {"missing": ["volume_l", "room"]},
        "Its air is not computed yet. Give its volume and the room that it stands in.",
    ),
    "desiccant.charge": (CHARGE, "200 g of silica gel, regenerated at 120 °C"),
    "air.assumed": ({"believed_h": 6.0}, "assumed: no reading in the last 6 h"),
    "air.reading": ({"origin": "api", "age_min": 89.0}, "sensor, 89 min old"),
    "air.computed": (
        {"desiccant": DESICCANT, "at": AT, "believed_h": 6.0},
        "computed from 200 g of silica gel, regenerated at 120 °C, put in on 1 Mar 2026, 08:05; no reading in the last 6 h",
    ),
    "air.computed_without_desiccant": (
        {"desiccant": DESICCANT, "at": AT, "believed_h": 6.0},
        "computed from its room: without desiccant since 1 Mar 2026, 08:05; no reading in the last 6 h",
    ),
    "air.room": ({"room": "Shop", "source": ASSUMED.as_data()}, f"air of Shop, {ASSUMED.sentence}"),
    "air.dryer": (
        {"set_point_c": 70.0, "temperature_c": 22.0, "rh_pct": 50.0, "source": ASSUMED.as_data()},
        f"drying at 70 °C, heated from 22 °C and 50 % RH ({ASSUMED.sentence})",
    ),
}


def test_every_code_has_words():
    assert_words(EXAMPLES, "dry_box", "air", "desiccant")


def test_an_old_reading_has_its_age_in_hours():
    assert Statement("air.reading", {"origin": "hand", "age_min": 90.0}).sentence.endswith("2 h old")


def test_each_kind_of_desiccant_has_its_regeneration():
    for kind in DesiccantCharge.Kind.values:
        assert "°C" in Statement(f"dry_box_regeneration.{kind}").sentence
