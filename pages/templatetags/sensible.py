"""Numbers as people read them: three digits that count, powers of ten for the very small."""

import math

from django import template
from django.utils.translation import gettext as _

from maintenance.costs.wording import format_money
from spools.wording import format_fixed, format_significant, format_temperature

register = template.Library()
SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


register.filter("money", format_money)


@register.filter
def sensible(value: float | str | None) -> str:
    """A number with three significant digits; text as it is; "not known" for None."""
    if value is None:
        return _("not known")
    if isinstance(value, str):
        return value
    if value and abs(value) < 1e-3:
        power = math.floor(math.log10(abs(value)))
        return f"{format_significant(value / 10**power)}·10{str(power).translate(SUPERSCRIPT)}"
    return format_fixed(value) if abs(value) >= 100 else format_significant(value)


@register.filter
def with_unit(value: float | str | None, unit: str) -> str:
    """A number as of sensible, with its unit; one in °C in the unit of temperature that is shown."""
    if unit == "°C" and isinstance(value, float | int):
        return format_temperature(value)
    return sensible(value) if value is None else f"{sensible(value)} {unit}"
