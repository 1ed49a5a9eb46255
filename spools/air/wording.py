"""The words of statements about dry boxes."""

from spools.statements import words_for


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
