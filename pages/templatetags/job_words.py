"""Facts of a job file as text."""

from collections.abc import Mapping
from typing import Any

from django import template
from django.utils.translation import gettext as _

from pages.templatetags.sensible import sensible
from spools.wording import format_percent

register = template.Library()


@register.filter
def metres(millimetres: float) -> str:
    return sensible(millimetres / 1000)


@register.filter
def clock(seconds: float) -> str:
    """Hours and minutes; below a minute the seconds."""
    if seconds < 60:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02} min" if minutes >= 60 else f"{minutes} min"


@register.filter
def share(part: float) -> str:
    return format_percent(100 * part)


@register.filter
def lookup(values: Mapping[str, Any], name: str) -> Any:
    return values[name]


@register.filter
def flow(mm3_s: float | None) -> str:
    """The upper bound of the flow as text. None: above the counted range, or no flow."""
    return _("beyond 100") if mm3_s is None else _("below {flow}").format(flow=sensible(mm3_s))
