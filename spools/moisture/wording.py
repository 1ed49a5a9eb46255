"""The words of the reasons for a spool's moisture."""

from collections.abc import Sequence
from datetime import datetime

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from spools.sentences import register_sentences
from spools.statements import words_for
from spools.wording import (
    format_exact,
    format_mass,
    format_percent,
    format_stages,
    format_temperature,
    format_time,
)

ORIGIN = {
    "reading": gettext_lazy("measured"),
    "computed": gettext_lazy("computed from its room and desiccant, no reading in the last 6 h"),
    "assumed": gettext_lazy("assumed, no reading in the last 6 h"),
    "dryer": gettext_lazy("in a drying run"),
}
ARRIVED = {
    "sealed_card_dry": gettext_lazy("it came sealed and its card was dry"),
    "sealed_card_unread": gettext_lazy("it came sealed, without a card that was read"),
    "sealed_card_wet": gettext_lazy("its card was wet"),
    "open": gettext_lazy("it came open"),
}
OPENED_BY = {
    "stated": gettext_lazy("somebody stated it"),
    "loaded": gettext_lazy("it was loaded then"),
    "dried": gettext_lazy("a drying run began"),
    "taken": gettext_lazy("filament was taken from it"),
}
SENTENCES = {
    "moisture_reason.never_dried": gettext_lazy("Not dried since it came."),
    "moisture_reason.grades": gettext_lazy(
        "Data on {polymer}: uptake of grade {uptake_grade}, rate of grade {rate_grade} (A: two sources agree, B: "
        "one good source, C: one weak or borrowed source, D: from memory)."
    ),
    "moisture_reason.feedstock_taught": gettext_lazy(
        "Learnt from weighed spools ({spools}): it takes up {w50_low_pct:.2g} to {w50_high_pct:.2g} % water at "
        "50 % RH, its diffusivity at 23 °C is {d23_low_m2_s:.1e} to {d23_high_m2_s:.1e} m²/s, and a sealed spool "
        "arrives in equilibrium with {start_low_rh_pct:.0f} to {start_high_rh_pct:.0f} % RH (80 % ranges). "
        "Spools received from now on start with that."
    ),
    "moisture_reason.taught": gettext_lazy(
        "Learnt from spools of this feedstock that were weighed before it came ({spools})."
    ),
    "moisture_reason.never_weighed": gettext_lazy("Never weighed: the ranges are those of the catalogue."),
}
# How much of the range comes from what, and how it is narrowed.
DECIDED_BY = {
    "decided_by.hygrometer": gettext_lazy(
        "{share_pct:.0f} % of its range comes from the hygrometer of {place}, which may be off by 5 % RH: a salt "
        "check (75 % RH over wet table salt at 25 °C) narrows it."
    ),
    "decided_by.checked_hygrometer": gettext_lazy(
        "{share_pct:.0f} % of its range comes from the hygrometer of {place}, although it was checked: weigh the "
        "spool now and after its next drying."
    ),
    "decided_by.unmeasured_air": gettext_lazy(
        "{share_pct:.0f} % of its range comes from the air of {place}, which nothing measures: put a hygrometer "
        "there."
    ),
    "decided_by.start_wetness": gettext_lazy(
        "{share_pct:.0f} % of its range comes from its wetness on arrival: weigh it now and after its next "
        "drying, the loss shows its water."
    ),
    "decided_by.uptake": gettext_lazy(
        "{share_pct:.0f} % of its range comes from how much water its material takes up: weigh it now and after "
        "its next drying."
    ),
    "decided_by.isotherm": gettext_lazy(
        "{share_pct:.0f} % of its range comes from how much water its material takes up in dry air: weigh it now "
        "and after its next drying."
    ),
    "decided_by.diffusion": gettext_lazy(
        "{share_pct:.0f} % of its range comes from how fast water moves in its material: weigh it now and after "
        "its next drying."
    ),
    "decided_by.pores": gettext_lazy(
        "{share_pct:.0f} % of its range comes from the air between its turns: weigh it now and after its next drying."
    ),
    "decided_by.dryer_temperature": gettext_lazy(
        "{share_pct:.0f} % of its range comes from the true temperature of {place}: measure it beside a spool, "
        "and state the error of the dryer."
    ),
    "decided_by.dryer_air": gettext_lazy(
        "{share_pct:.0f} % of its range comes from the air that its dryer exchanges: state the air flow of the "
        "dryer, or weigh the spool now and after its next drying."
    ),
}
register_sentences(SENTENCES | DECIDED_BY)


@words_for("moisture_reason.air")
def _air(place: str, temperature_c: float, rh_pct: float, origin: str) -> str:
    return _("In {place}: {temperature} and {humidity} RH, {origin}.").format(
        place=place,
        temperature=format_temperature(temperature_c, 0),
        humidity=format_percent(rh_pct),
        origin=ORIGIN[origin],
    )


@words_for("moisture_reason.start")
def _start(rh_pct: float, rh_low_pct: float, rh_high_pct: float, arrived: str) -> str:
    return _(
        "Assumed to have arrived in equilibrium with {rh} % RH ({low} to {high}): {arrived} (common practice, no "
        "source; "
        "even a factory-sealed spool may be wet)."
    ).format(
        rh=format_exact(rh_pct),
        low=format_exact(rh_low_pct),
        high=format_exact(rh_high_pct),
        arrived=ARRIVED[arrived],
    )


@words_for("moisture_reason.in_unopened_bag")
def _in_unopened_bag(place: str, since: str) -> str:
    return _(
        "In its unopened bag in {place}: it takes up and gives off nothing. Nothing recorded since it came on "
        "{since} has "
        "opened the bag; loading, drying and printing do."
    ).format(place=place, since=format_time(datetime.fromisoformat(since)))


@words_for("moisture_reason.bag_opened")
def _bag_opened(at: str, by: str) -> str:
    return _("Its bag counts as opened since {at}: {reason}.").format(
        at=format_time(datetime.fromisoformat(at)), reason=OPENED_BY[by]
    )


@words_for("moisture_reason.last_dried")
def _last_dried(stages: Sequence[Sequence[float]], until: str) -> str:
    """stages: (°C, hours) of each."""
    dried = format_stages([(set_point_c, round(hours)) for set_point_c, hours in stages])
    return _("Last dried: {stages}, until {until}.").format(
        stages=dried, until=format_time(datetime.fromisoformat(until))
    )


@words_for("moisture_reason.weighings")
def _weighings(used: int, count: int) -> str:
    """used: of the weighings those that the recorded facts explain."""
    if used == count:
        sentence = ngettext(
            "Its weighing narrows the likely range; pairs around a drying run narrow it most.",
            "Its {count} weighings narrow the likely range; pairs around a drying run narrow it most.",
            count,
        )
    elif not used:
        sentence = ngettext(
            "Its weighing does not narrow the likely range; pairs around a drying run narrow it most.",
            "None of its {count} weighings narrows the likely range; pairs around a drying run narrow it most.",
            count,
        )
    else:
        sentence = ngettext(
            "{used} of its {count} weighings narrows the likely range; pairs around a drying run narrow it most.",
            "{used} of its {count} weighings narrow the likely range; pairs around a drying run narrow it most.",
            used,
        )
    return sentence.format(used=used, count=count)


@words_for("moisture_reason.unexplained_weighing")
def _unexplained(at: str, off_g: float) -> str:
    sentence = (
        _(
            "On {at} the scale read {mass} less than anything recorded explains: a print or a cut that was not "
            "recorded, "
            "or a wrong weighing. It does not count for the water; a wrong weighing can be withdrawn in the history."
        )
        if off_g < 0
        else _(
            "On {at} the scale read {mass} more than anything recorded explains: another spool or reel on the "
            "scale, or a "
            "wrong weighing. It does not count for the water; a wrong weighing can be withdrawn in the history."
        )
    )
    return sentence.format(at=format_time(datetime.fromisoformat(at)), mass=format_mass(abs(off_g)))
