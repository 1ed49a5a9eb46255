"""Numbers, durations and times as people read them, the same on pages, in messages and in refusals."""

from collections.abc import Sequence
from datetime import datetime

from django.utils import timezone

NEAR_NOTHING_H = 0.01
HOURS_A_DAY = 24
TEN_DAYS = 10

# (set point in °C, hours) of each stage; the hours of the last are None where no time is enough.
Stages = Sequence[tuple[float, float | None]]


def format_number(number: float) -> str:
    """A number with two significant digits, or with all digits before the point."""
    if abs(number) >= 10:
        return f"{number:.0f}"
    return "0" if abs(number) < 0.0005 else f"{number:.2g}"


def format_chance(pct: float) -> str:
    """A chance in per cent, which is never none and never all."""
    if pct < 1:
        return "under 1 %"
    return "over 99 %" if pct > 99 else f"{pct:.0f} %"


def round_as_shown(number: float) -> float:
    """A number as exact as format_number shows it: a statement with it changes when its sentence does."""
    return float(format_number(number))


def format_duration(hours: float) -> str:
    """Hours as minutes, hours or days, whichever reads best; quarters of an hour stay exact."""
    if hours < NEAR_NOTHING_H:
        return "0 h"
    if hours < 1:
        return f"{60 * hours:.0f} min"
    if hours < 2 * HOURS_A_DAY:
        return f"{hours:g} h" if 4 * hours % 1 == 0 else f"{hours:.3g} h"
    days = hours / HOURS_A_DAY
    return f"{days:.0f} days" if days >= TEN_DAYS else f"{days:.2g} days"


def format_set_points(set_point_c: float, first_set_point_c: float | None, first_h: float | None) -> str:
    """The set points of a drying run, with a first stage or without."""
    if first_h is None:
        return f"{set_point_c:g} °C"
    return f"{first_set_point_c:g} °C for {first_h:.3g} h, then {set_point_c:g} °C"


def format_stages(stages: Stages) -> str:
    """The stages of a drying as (set point in °C, hours), such as "2 h at 50 °C, then 6 h at 65 °C"."""
    return ", then ".join(
        f"{celsius:g} °C" if hours is None else f"{format_duration(hours)} at {celsius:g} °C"
        for celsius, hours in stages
    )


def round_duration(hours: float) -> float:
    """Hours about as exact as format_duration shows them."""
    if hours < 2 * HOURS_A_DAY:
        return float(f"{hours:.3g}")
    return HOURS_A_DAY * round_as_shown(hours / HOURS_A_DAY)


def format_time(at: datetime) -> str:
    """A time in the shop's zone, as on the pages: "1 Mar 2026, 14:05"."""
    return f"{format_day(at)}, {timezone.localtime(at):%H:%M}"


def format_day(at: datetime) -> str:
    """The day of a time in the shop's zone, as on the pages: "1 Mar 2026"."""
    local = timezone.localtime(at)
    return f"{local.day} {local:%b %Y}"
