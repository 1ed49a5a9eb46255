"""Values as people say them: codes in groups, bands, hours."""

from collections.abc import Sequence

from django import template

from maintenance.models import WearEntry
from maintenance.wear_log import COUNTED, UNIT_WORDS
from spools.labels import pretty
from spools.templatetags.sensible import sensible

register = template.Library()
HOURS_A_DAY = 24
NEAR_NOTHING_H = 0.01
TEN_DAYS = 10

register.filter("code", pretty)


@register.filter
def band(values: Sequence[float]) -> str:
    """The outer two of low, likely, high, such as "0.12 to 0.3"."""
    return f"{sensible(values[0])} to {sensible(values[2])}"


@register.filter
def likely(values: Sequence[float]) -> str:
    """The middle one of low, likely, high."""
    return sensible(values[1])


@register.filter
def percent(share: float) -> str:
    """A share of 1 in per cent; "under 1 %" instead of nothing."""
    return "under 1 %" if 0 < share < 0.01 else f"{100 * share:.0f} %"


@register.filter
def worn(entry: WearEntry) -> str:
    """What a job did to a part, in the unit of the part's life."""
    unit = entry.part.kind.life_unit
    if unit not in COUNTED:
        return "counted by the day, not by the job"
    return f"{sensible(getattr(entry, unit))} {UNIT_WORDS[unit]}"


@register.filter
def duration(hours: float) -> str:
    """Hours as minutes, hours or days, whichever reads best."""
    if hours < NEAR_NOTHING_H:
        return "0 h"
    if hours < 1:
        return f"{60 * hours:.0f} min"
    if hours < 2 * HOURS_A_DAY:
        return f"{hours:.3g} h"
    days = hours / HOURS_A_DAY
    return f"{days:.0f} days" if days >= TEN_DAYS else f"{days:.2g} days"
