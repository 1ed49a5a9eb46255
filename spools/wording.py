"""Numbers, amounts, durations and times as people read them: in their language and units, the same everywhere.

Stored and sent values are in °C, g, mm and hours. The active language writes decimals and dates; the active units
(background/units.py) show temperatures, masses and lengths. Nozzles, filament and their flow stay in the trade's mm.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from django.utils.formats import date_format, get_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _
from django.utils.translation import ngettext, pgettext, pgettext_lazy

from background.units import are_units_customary

NEAR_NOTHING_H = 0.01
HOURS_A_DAY = 24
TEN_DAYS = 10
G_PER_OZ, OZ_PER_LB = 28.349523125, 16
MM_PER_IN, M_PER_FT = 25.4, 0.3048

# Patterns of Django's date filter. A catalogue holds each as its language writes it, such as "j. N Y" for "j M Y".
DATE_PATTERNS = (
    pgettext_lazy("date", "D H:i"),
    pgettext_lazy("date", "D j"),
    pgettext_lazy("date", "D j M"),
    pgettext_lazy("date", "D j M, H:i"),
    pgettext_lazy("date", "D j M Y"),
    pgettext_lazy("date", "H:i:s, j M"),
    pgettext_lazy("date", "j M"),
    pgettext_lazy("date", "j M H:i"),
    pgettext_lazy("date", "j M, H:i"),
    pgettext_lazy("date", "j M, H:i:s"),
    pgettext_lazy("date", "j M Y"),
    pgettext_lazy("date", "j M Y, H:i"),
    pgettext_lazy("date", "j M Y, H:i:s"),
    pgettext_lazy("date", "l j F, H:i"),
)
QUARTER_HOUR = timedelta(minutes=15)

# (set point in °C, hours) of each stage; the hours of the last are None where no time is enough.
Stages = Sequence[tuple[float, float | None]]


def write_decimals(text: str) -> str:
    """A number that was formatted with a point, with the decimal sign of the active language."""
    return text.replace(".", get_format("DECIMAL_SEPARATOR"))


def format_number(number: float) -> str:
    """A number with two significant digits, or with all digits before the point."""
    return write_decimals(_shorten(number))


def _shorten(number: float) -> str:
    if abs(number) >= 10:
        return f"{number:.0f}"
    return "0" if abs(number) < 0.0005 else f"{number:.2g}"


def format_exact(number: float) -> str:
    """A number as it was entered, to six significant digits: 0.4, 65, 1250."""
    return write_decimals(f"{number:g}")


def format_significant(number: float, digits: int = 3) -> str:
    """A number with so many significant digits."""
    return write_decimals(f"{number:.{digits}g}")


def format_fixed(number: float, decimals: int = 0) -> str:
    """A number with so many decimals; with -2 at most two, without noughts at the end, and so on."""
    text = f"{number:.{abs(decimals)}f}"
    return write_decimals(text.rstrip("0").removesuffix(".") if decimals < 0 else text)


def format_count(count: int) -> str:
    """A whole number with its thousands apart: 12,500."""
    return f"{count:,}".replace(",", get_format("THOUSAND_SEPARATOR"))


def format_chance(pct: float) -> str:
    """A chance in per cent, which is never none and never all."""
    if pct < 1:
        return _("under 1 %")
    return _("over 99 %") if pct > 99 else f"{pct:.0f} %"


def format_percent(pct: float, decimals: int = 0) -> str:
    """Per cent, such as "45 %"."""
    return f"{format_fixed(pct, decimals)} %"


def format_temperature(celsius: float, decimals: int | None = None) -> str:
    """A temperature in °C, such as "65 °C" or "149 °F". decimals: see format_fixed; None: as many as were entered."""
    if are_units_customary():
        return f"{format_fixed(32 + 1.8 * celsius, 0 if decimals is None else decimals)} °F"
    return f"{format_exact(celsius) if decimals is None else format_fixed(celsius, decimals)} °C"


def format_temperature_difference(kelvin: float, decimals: int | None = None) -> str:
    """A difference of temperatures in K, such as "5 K" or "9 °F"."""
    if are_units_customary():
        return f"{format_fixed(1.8 * kelvin, -1 if decimals is None else decimals)} °F"
    return f"{format_exact(kelvin) if decimals is None else format_fixed(kelvin, decimals)} K"


def format_mass(grams: float, decimals: int = 0) -> str:
    """A mass in g, such as "250 g", or "8.8 oz" and "2.2 lb"."""
    if not are_units_customary():
        return f"{format_fixed(grams, decimals)} g"
    ounces = grams / G_PER_OZ
    if abs(ounces) < OZ_PER_LB:
        return f"{format_fixed(ounces, decimals + 1)} oz"
    return f"{format_fixed(ounces / OZ_PER_LB, decimals + 2)} lb"


def format_kilograms(kilograms: float, decimals: int = -2) -> str:
    """A large mass in kg, such as "2.5 kg" or "5.51 lb"."""
    if are_units_customary():
        return f"{format_fixed(1000 * kilograms / G_PER_OZ / OZ_PER_LB, decimals)} lb"
    return f"{format_fixed(kilograms, decimals)} kg"


def format_length(millimetres: float, decimals: int = -1) -> str:
    """A length in mm, such as "60 mm" or "2.36 in"; not of nozzles and filament, which the trade measures in mm."""
    if are_units_customary():
        return f"{format_significant(millimetres / MM_PER_IN)} in"
    return f"{format_fixed(millimetres, decimals)} mm"


def format_metres(metres: float, decimals: int = 0) -> str:
    """A length of filament in m, such as "120 m" or "394 ft"."""
    if are_units_customary():
        return f"{format_fixed(metres / M_PER_FT, max(decimals - 1, 0))} ft"
    return f"{format_fixed(metres, decimals)} m"


# Chances above which something is certain for people, and likely.
CERTAIN, LIKELY = 0.99, 0.8


def choose_by_chance(chance: float, certain: str, likely: str, possible: str) -> str:
    """Of three wordings of one statement ("is", "is probably", "may be") the one that fits its chance, a share of 1."""
    if chance > CERTAIN:
        return certain
    return likely if chance > LIKELY else possible


def round_as_shown(number: float) -> float:
    """A number as exact as format_number shows it: a statement with it changes when its sentence does."""
    return float(_shorten(number))


def format_duration(hours: float) -> str:
    """Hours as minutes, hours or days, whichever reads best; quarters of an hour stay exact."""
    if hours < NEAR_NOTHING_H:
        return "0 h"
    if hours < 1:
        return f"{60 * hours:.0f} min"
    if hours < 2 * HOURS_A_DAY:
        return f"{format_exact(hours) if 4 * hours % 1 == 0 else format_significant(hours)} h"
    days = hours / HOURS_A_DAY
    shown = f"{days:.0f}" if days >= TEN_DAYS else f"{days:.2g}"
    return ngettext("{days} day", "{days} days", 1 if shown == "1" else 2).format(days=write_decimals(shown))


def format_set_points(set_point_c: float, first_set_point_c: float | None, first_h: float | None) -> str:
    """The set points of a drying run, with a first stage or without."""
    if first_h is None or first_set_point_c is None:
        return format_temperature(set_point_c)
    return _("{first} for {hours} h, then {second}").format(
        first=format_temperature(first_set_point_c),
        hours=format_significant(first_h),
        second=format_temperature(set_point_c),
    )


def format_stages(stages: Stages) -> str:
    """The stages of a drying as (set point in °C, hours), such as "2 h at 50 °C, then 6 h at 65 °C"."""
    parts = [
        format_temperature(celsius)
        if hours is None
        else _("{duration} at {temperature}").format(
            duration=format_duration(hours), temperature=format_temperature(celsius)
        )
        for celsius, hours in stages
    ]
    return _(", then ").join(parts)


def round_duration(hours: float) -> float:
    """Hours about as exact as format_duration shows them."""
    if hours < 2 * HOURS_A_DAY:
        return float(f"{hours:.3g}")
    return HOURS_A_DAY * round_as_shown(hours / HOURS_A_DAY)


def format_at(at: datetime, pattern: str) -> str:
    """A time in the shop's zone by one of DATE_PATTERNS, as the active language writes it."""
    return date_format(localtime(at), translate_pattern(pattern))


def translate_pattern(pattern: str) -> str:
    """A pattern of Django's date filter, as the active language writes it; "" for ""."""
    return pgettext("date", pattern) if pattern else ""


def round_up_time(at: datetime) -> datetime:
    """The next quarter of an hour, for forecast times: the exact minute moves with each look."""
    begun = (at - datetime.min.replace(tzinfo=UTC)) % QUARTER_HOUR
    return at + (QUARTER_HOUR - begun) if begun else at


def format_time(at: datetime) -> str:
    """A time in the shop's zone, as on the pages: "1 Mar 2026, 14:05"."""
    return format_at(at, "j M Y, H:i")


def format_day(at: datetime) -> str:
    """The day of a time in the shop's zone, as on the pages: "1 Mar 2026"."""
    return format_at(at, "j M Y")


def format_list(items: Sequence[str]) -> str:
    """Items as a list within a sentence: "a, b and c"."""
    if len(items) < 2:
        return "".join(items)
    return _("{items} and {last}").format(items=", ".join(items[:-1]), last=items[-1])
