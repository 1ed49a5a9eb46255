"""Amounts and dates in the active language and units; they are built in, so no template loads them.

The argument is the number of decimals, as of floatformat: {{ run.set_point_c|temperature }}, {{ mass_g|mass:1 }}.
"""

from collections.abc import Callable
from typing import Any

from django import template
from django.template import defaultfilters

from spools import wording

register = template.Library()


def _or_empty(format_amount: Callable[..., str]) -> Callable[..., str]:
    def show(amount: float | None, decimals: int | None = None) -> str:
        if amount is None or amount == "":
            return ""
        return format_amount(amount) if decimals is None else format_amount(amount, int(decimals))

    return show


register.filter("temperature", _or_empty(wording.format_temperature))
register.filter("temperature_difference", _or_empty(wording.format_temperature_difference))
register.filter("mass", _or_empty(wording.format_mass))
register.filter("kilograms", _or_empty(wording.format_kilograms))
register.filter("length_mm", _or_empty(wording.format_length))
register.filter("filament_length", _or_empty(wording.format_metres))
register.filter("percent_of_100", _or_empty(wording.format_percent))


@register.filter("date", expects_localtime=True)
def written_date(value: Any, pattern: str = "") -> Any:
    """Django's date filter with the pattern as the active language writes it."""
    return defaultfilters.date(value, wording.translate_pattern(pattern) or None)
