"""Numbers as people read them: three digits that count, powers of ten for the very small."""

import math

from django import template

from maintenance.costs.wording import format_money

register = template.Library()
SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


register.filter("money", format_money)


@register.filter
def sensible(value: float | str | None) -> str:
    """A number with three significant digits; text as it is; "not known" for None."""
    if value is None:
        return "not known"
    if isinstance(value, str):
        return value
    if value and abs(value) < 1e-3:
        power = math.floor(math.log10(abs(value)))
        return f"{value / 10**power:.3g}·10{str(power).translate(SUPERSCRIPT)}"
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"
