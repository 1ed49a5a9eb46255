"""The words of the reasons for the life that is left in a part."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from django.utils import timezone

from maintenance.models import PartKind, PriorUse
from maintenance.parts.wear_entries import UNIT_WORDS, scale_life
from spools.statements import words_for
from spools.wording import format_day, format_number, format_time

# Further ahead only the year of a forecast counts.
NEAR = timedelta(days=730)


def format_far_day(at: datetime) -> str:
    """The day of a forecast, or its year where that is more than two years ahead."""
    return format_day(at) if at < timezone.now() + NEAR else str(timezone.localtime(at).year)


def format_records(worn: int, removed: int, in_use: int) -> str:
    """The parts that taught the life of a kind; "" for none."""
    counts = [(worn, "worn"), (removed, "taken off before that"), (in_use, "in use")]
    return ", ".join(f"{count} {noun}" for count, noun in counts if count)


def _band(life: Sequence[float], unit: str) -> str:
    """life: (low, likely, high)."""
    factor, words = scale_life(unit, life[1])
    low, likely, high = (format_number(factor * amount) for amount in life)
    return f"{likely} ({low} to {high}) {words}"


def format_life(amount: float, unit: str) -> str:
    """An amount of a part's life with its unit."""
    factor, words = scale_life(unit, amount)
    return f"{format_number(factor * amount)} {words}"


@words_for("life_reason.age")
def _age(age: float, unit: str) -> str:
    lead = "It was fitted for" if unit == PartKind.Unit.DAYS else "Its jobs add up to"
    return f"{lead} {format_life(age, unit)}."


@words_for("life_reason.stated")
def _stated(part: str, life: Sequence[float], unit: str, source: str, how: str) -> str:
    return f"Stated of the {part}: {_band(life, unit)}. {source} ({how})."


@words_for("life_reason.own_parts")
def _own_parts(records: Mapping[str, int], life: Sequence[float], unit: str) -> str:
    return f"Together with this shop's own parts ({format_records(**records)}): {_band(life, unit)}."


@words_for("life_reason.prior_use")
def _prior_use(amount: float | None, stated_in: str, entered: float | None, unit: str) -> str:
    if amount is None:
        return (
            "It was used before it came into the records, and nobody knows how long: any share of its life may be "
            "gone."
        )
    stated = f"It was used before: {format_number(amount)} {PriorUse.Unit(stated_in).label}"
    if entered is None:
        return f"{stated}. That is no measure of {UNIT_WORDS[unit]}, so its age is taken as unknown."
    return stated + ("." if stated_in == unit else f", taken as {format_life(entered, unit)}.")


@words_for("life_reason.sound")
def _sound(age: float, unit: str) -> str:
    return f"It was taken off sound at {format_life(age, unit)}."


@words_for("life_reason.bore")
def _bore(
    bore_mm: float, error_mm: float, measured_at: str, worn_mm: float, life: Sequence[float], unit: str
) -> str:
    at = format_time(datetime.fromisoformat(measured_at))
    return (
        f"Its bore was {bore_mm:.3g} mm (± {error_mm:.2g}) on {at} and is worn out at {worn_mm:.3g} mm. So it should "
        f"last {_band(life, unit)} in all."
    )


@words_for("consumable.lasts")
def _lasts(at: str, early_at: str, late_at: str, a_month: float, unit: str, days: int) -> str:
    about, early, late = (format_far_day(datetime.fromisoformat(day)) for day in (at, early_at, late_at))
    return (
        f"Lasts until about {about} ({early} to {late}) at {format_number(a_month)} {unit} a month: services as they come "
        f"due, other use as in the last {days} days."
    )


@words_for("life_reason.rate")
def _rate(used: float, unit: str, days: int) -> str:
    month = f"{format_life(used, unit)} in {days} days"
    return f"Present rate: {month}, from the last {days} or since it was fitted."
