"""Values as people read them: codes in groups, ranges, hours."""

from collections.abc import Sequence

from django import template
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from maintenance.models import PartKind, WearEntry
from maintenance.parts.wear_entries import COUNTED, scale_life
from maintenance.parts.words import name_part
from maintenance.wear.abrasion import in_hand
from pages.templatetags.sensible import sensible
from spools.codes import pretty
from spools.sentences import format_unit
from spools.wording import format_chance, format_duration, format_number, format_percent

register = template.Library()

register.filter("code", pretty)
register.filter("part_name", name_part)
register.filter("duration", format_duration)
register.filter("unit_words", format_unit)


@register.filter
def band(values: Sequence[float]) -> str:
    """The outer two of low, likely, high, such as "0.12 to 0.3"."""
    return _("{low} to {high}").format(low=format_number(values[0]), high=format_number(values[2]))


@register.filter
def likely(values: Sequence[float]) -> str:
    """The middle one of low, likely, high."""
    return format_number(values[1])


STATES = {
    "clear": gettext_lazy("Clear"),
    "caution": gettext_lazy("Caution"),
    "hold": gettext_lazy("Hold"),
    "unknown": gettext_lazy("Unknown"),
}


@register.filter
def state_word(state: str) -> str:
    """The state of a verdict as a word."""
    return str(STATES.get(state, state))


@register.filter
def roughly(number: float) -> str:
    """A number of which only two digits count, such as 2600 for 2562."""
    return f"{float(f'{number:.2g}'):.0f}" if number >= 10 else format_number(number)


@register.filter
def percent(share: float) -> str:
    """A share of 1 in per cent; "under 1 %" instead of nothing."""
    return _("under 1 %") if 0 < share < 0.01 else format_percent(100 * share)


@register.filter
def chance(pct: float) -> str:
    """A chance in per cent; "under 1 %" and "over 99 %" instead of none and all."""
    return format_chance(pct)


@register.filter
def worn(entry: WearEntry) -> str:
    """The wear of a part by a job, in the unit of the part's life."""
    unit = entry.part.kind.life_unit
    if unit not in COUNTED:
        return _("counted by the day, not by the job")
    if unit == PartKind.Unit.PRINTS:
        count = round(entry.prints)
        return ngettext("{count} print", "{count} prints", count).format(count=count)
    factor, shown = in_hand(unit, entry.part.kind.bore_mm)
    amount = factor * getattr(entry, unit)
    finer, words = scale_life(shown, amount)
    return f"{format_number(finer * amount)} {words}"


def scale_kind(kind: PartKind) -> tuple[float, str]:
    """A factor for amounts in the unit of a kind's life, and the words of the unit that fits that life."""
    factor, unit = in_hand(kind.life_unit, kind.bore_mm)
    finer, words = scale_life(unit, factor * (kind.life or 0))
    return factor * finer, words


@register.filter
def as_life(amount: float, kind: PartKind) -> str:
    """An amount in the unit of a kind's life, in the one that people have in hand, see life_unit."""
    return roughly(scale_kind(kind)[0] * amount)


@register.filter
def per_life(amount: float, kind: PartKind) -> str:
    """An amount for each unit of a kind's life, for each of the unit that people have in hand."""
    return sensible(amount / in_hand(kind.life_unit, kind.bore_mm)[0])


@register.filter
def life_unit(kind: PartKind) -> str:
    """The unit of what as_life shows."""
    return scale_kind(kind)[1]
