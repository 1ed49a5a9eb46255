"""The words of statements about the air in places and in dry boxes."""

from collections.abc import Sequence
from datetime import datetime

from spools.models import Reading
from spools.sentences import register_sentences
from spools.statements import words_for
from spools.wording import format_day

REGENERATION = {
    "silica_gel": "At 110 to 120 °C for about 3 h, spread thin. Gel with an orange or blue indicator is never heated "
    "above 120 °C.",
    "molecular_sieve": "At 250 °C and above, which neither a filament dryer nor a household oven does: at 120 °C it "
    "keeps 10 % of water. Take fresh sieve, or silica gel.",
    "alumina": "At 200 to 350 °C, hotter than a filament dryer gets. The hours: no source.",
    "clay": "At about 120 °C (from memory); the bag must stand it. The hours: no source.",
}
AIR = {
    "air.assumed": "assumed: no reading in the last {believed_h:.0f} h",
    "air.computed": "computed from {desiccant}, put in on {at!t}; no reading in the last {believed_h:.0f} h",
    "air.computed_without_desiccant": "computed from its room: without desiccant since {at!t}; no reading in the last "
    "{believed_h:.0f} h",
    "air.room": "air of {room}, {source!w}",
    "air.dryer": "drying at {set_point_c:g} °C, heated from {temperature_c:.0f} °C and {rh_pct:.0f} % RH ({source!w})",
}
BOXES = {
    "dry_box.spent": "Measured {measured_rh_pct:.0f} % RH, computed {computed_rh_pct:.0f} %, in a room of "
    "{room_rh_pct:.0f} %: likely spent desiccant. Regenerate it.",
    "dry_box.leak": "Measured {measured_rh_pct:.0f} % RH, computed {computed_rh_pct:.0f} %, and the desiccant should "
    "have much left: likely a leak. Look at lid, gasket and tube holes, and measure the half-time again with the box "
    "empty.",
    "dry_box.drier": "Measured {measured_rh_pct:.0f} % RH, computed {computed_rh_pct:.0f} %: the box is tighter than "
    "recorded, or the hygrometer reads low. A salt check settles it.",
    "dry_box.drier_checked": "Measured {measured_rh_pct:.0f} % RH, computed {computed_rh_pct:.0f} %: the hygrometer was "
    "checked, so the box is tighter than recorded. Measure its half-time again.",
}
MISSING = {
    "volume_l": "its volume",
    "half_time_h": "its half-time or air changes",
    "room": "the room that it stands in",
    "charge": "a charge of desiccant, in force from the next full hour on",
}
register_sentences(
    AIR | BOXES | {f"dry_box_regeneration.{kind}": text for kind, text in REGENERATION.items()}
)


@words_for("air.reading")
def _reading(origin: str, age_min: float, off_rh_pct: float | None = None) -> str:
    age = f"{age_min:.0f} min" if age_min < 90 else f"{age_min / 60:.0f} h"
    corrected = "" if off_rh_pct is None else f", corrected by {-off_rh_pct:+.0f} % RH after its salt check"
    return f"{Reading.Origin(origin).label}, {age} old{corrected}"


@words_for("air.hygrometer_checked")
def _hygrometer_checked(off_rh_pct: float, at: str) -> str:
    off = f"{abs(off_rh_pct):.0f}"
    reads = "reads right" if off == "0" else f"reads {off} % RH {'high' if off_rh_pct > 0 else 'low'}"
    return f"{reads}; checked {format_day(datetime.fromisoformat(at))}"


@words_for("dry_box.not_computed")
def _not_computed(missing: Sequence[str]) -> str:
    return f"Its air is not computed yet. Give {', '.join(MISSING[name] for name in missing)}."
