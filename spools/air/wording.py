"""The words of statements about dry boxes."""

from spools.statements import words_for

REGENERATION = {
    "silica_gel": "At 110 to 120 °C for about 3 h, spread thin. Gel with an orange or blue indicator is never heated "
    "above 120 °C.",
    "molecular_sieve": "At 250 °C and above, which neither a filament dryer nor a household oven does: at 120 °C it "
    "keeps 10 % of water. Take fresh sieve, or silica gel.",
    "alumina": "At 200 to 350 °C, hotter than a filament dryer gets. The hours: no source.",
    "clay": "At about 120 °C (from memory); the bag must stand it. The hours: no source.",
}
for kind, text in REGENERATION.items():
    words_for(f"dry_box_regeneration.{kind}")(text.format)


def _compared(measured_rh_pct: float, computed_rh_pct: float) -> str:
    return f"Measured {measured_rh_pct:.0f} % RH, computed {computed_rh_pct:.0f} %"


@words_for("dry_box.spent")
def _spent(measured_rh_pct: float, computed_rh_pct: float, room_rh_pct: float) -> str:
    return (
        f"{_compared(measured_rh_pct, computed_rh_pct)}, in a room of {room_rh_pct:.0f} %: likely spent "
        "desiccant. Regenerate it."
    )


@words_for("dry_box.leak")
def _leak(measured_rh_pct: float, computed_rh_pct: float) -> str:
    return (
        f"{_compared(measured_rh_pct, computed_rh_pct)}, and the desiccant should have much left: likely a "
        "leak. Look at lid, gasket and tube holes, and measure the half-time again with the box empty."
    )


@words_for("dry_box.drier")
def _drier(measured_rh_pct: float, computed_rh_pct: float) -> str:
    return (
        f"{_compared(measured_rh_pct, computed_rh_pct)}: the box is tighter than recorded, or the hygrometer "
        "reads low. Try it over salt: a saturated solution of table salt keeps 75 % RH."
    )
