"""The words of statements about the air in places and in dry boxes."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from spools.models import DesiccantCharge, Reading
from spools.sentences import register_sentences
from spools.statements import Statement, words_for
from spools.wording import format_day, format_list, format_mass, format_temperature

AIR = {
    "air.assumed": _("assumed: no reading in the last {believed_h:.0f} h"),
    "air.computed": _(
        "computed from {desiccant!w}, put in on {at!t}; no reading in the last {believed_h:.0f} h"
    ),
    "air.computed_without_desiccant": _(
        "computed from its room: without desiccant since {at!t}; no reading in the last {believed_h:.0f} h"
    ),
    "air.room": _("air of {room}, {source!w}"),
}
BOXES = {
    "dry_box.spent": _(
        "Measured {measured_rh_pct:.0f} % RH, computed {computed_rh_pct:.0f} %, in a room of {room_rh_pct:.0f} %: likely "
        "spent desiccant. Regenerate it."
    ),
    "dry_box.leak": _(
        "Measured {measured_rh_pct:.0f} % RH, computed {computed_rh_pct:.0f} %, and the desiccant should have much left: "
        "likely a leak. Look at lid, gasket and tube holes, and measure the half-time again with the box empty."
    ),
    "dry_box.drier": _(
        "Measured {measured_rh_pct:.0f} % RH, computed {computed_rh_pct:.0f} %: the box is tighter than recorded, or the "
        "hygrometer reads low. A salt check settles it."
    ),
    "dry_box.drier_checked": _(
        "Measured {measured_rh_pct:.0f} % RH, computed {computed_rh_pct:.0f} %: the hygrometer was checked, so the box is "
        "tighter than recorded. Measure its half-time again."
    ),
}
MISSING = {
    "volume_l": _("its volume"),
    "half_time_h": _("its half-time or air changes"),
    "room": _("the room that it stands in"),
    "charge": _("a charge of desiccant, in force from the next full hour on"),
}
register_sentences(AIR | BOXES)


@words_for("air.dryer")
def _dryer(set_point_c: float, temperature_c: float, rh_pct: float, source: Mapping[str, Any]) -> str:
    return gettext(
        "drying at {set_point}, heated from {temperature} and {rh_pct:.0f} % RH ({source})"
    ).format(
        set_point=format_temperature(set_point_c),
        temperature=format_temperature(temperature_c, 0),
        rh_pct=rh_pct,
        source=Statement.from_data(source).sentence,
    )


@words_for("air.reading")
def _reading(origin: str, age_min: float, off_rh_pct: float | None = None) -> str:
    age = f"{age_min:.0f} min" if age_min < 90 else f"{age_min / 60:.0f} h"
    label = Reading.Origin(origin).label
    if off_rh_pct is None:
        return gettext("{origin}, {age} old").format(origin=label, age=age)
    return gettext("{origin}, {age} old, corrected by {change} % RH after its salt check").format(
        origin=label, age=age, change=f"{-off_rh_pct:+.0f}"
    )


@words_for("air.hygrometer_checked")
def _hygrometer_checked(off_rh_pct: float, at: str) -> str:
    off, day = f"{abs(off_rh_pct):.0f}", format_day(datetime.fromisoformat(at))
    if off == "0":
        return gettext("reads right; checked {day}").format(day=day)
    if off_rh_pct > 0:
        return gettext("reads {off} % RH high; checked {day}").format(off=off, day=day)
    return gettext("reads {off} % RH low; checked {day}").format(off=off, day=day)


@words_for("dry_box.not_computed")
def _not_computed(missing: Sequence[str]) -> str:
    names = format_list([str(MISSING[name]) for name in missing])
    return gettext("Its air is not computed yet. Give {missing}.").format(missing=names)


@words_for("desiccant.charge")
def _charge(kind: str, dry_mass_g: float, condition: str, regenerated_c: float | None) -> str:
    if not dry_mass_g:
        return gettext("desiccant taken out")
    values = {"mass": format_mass(dry_mass_g, -1), "kind": DesiccantCharge.Kind(kind).label}
    if regenerated_c is not None:
        temperature = format_temperature(regenerated_c)
        return gettext("{mass} of {kind}, regenerated at {temperature}").format(
            **values, temperature=temperature
        )
    if condition == DesiccantCharge.Condition.NEW:
        return gettext("{mass} of {kind}, new").format(**values)
    return gettext("{mass} of {kind}, how dry not known").format(**values)


@words_for("dry_box_regeneration.silica_gel")
def _silica_gel() -> str:
    return gettext(
        "At {low} to {high} for about 3 h, spread thin. Gel with an orange or blue indicator is never heated above {high}."
    ).format(low=format_temperature(110), high=format_temperature(120))


@words_for("dry_box_regeneration.molecular_sieve")
def _molecular_sieve() -> str:
    return gettext(
        "At {hot} and above, which neither a filament dryer nor a household oven does: at {cool} it keeps 10 % of water. "
        "Take fresh sieve, or silica gel."
    ).format(hot=format_temperature(250), cool=format_temperature(120))


@words_for("dry_box_regeneration.alumina")
def _alumina() -> str:
    return gettext("At {low} to {high}, hotter than a filament dryer gets. The hours: no source.").format(
        low=format_temperature(200), high=format_temperature(350)
    )


@words_for("dry_box_regeneration.clay")
def _clay() -> str:
    return gettext(
        "At about {temperature} (from memory); the bag must stand it. The hours: no source."
    ).format(temperature=format_temperature(120))
