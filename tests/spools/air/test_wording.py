"""The words of dry boxes."""

from spools.models import DesiccantCharge
from spools.statements import Statement
from tests.wording import assert_words

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
        "Measured 30 % RH, computed 12 %: the box is tighter than recorded, or the hygrometer reads low. Try it "
        "over salt: a saturated solution of table salt keeps 75 % RH.",
    ),
}


def test_every_code_has_words():
    assert_words(EXAMPLES, "dry_box")


def test_each_kind_of_desiccant_has_its_regeneration():
    for kind in DesiccantCharge.Kind.values:
        assert "°C" in Statement(f"dry_box_regeneration.{kind}").sentence
