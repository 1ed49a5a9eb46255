"""The words of the reasons for the life that is left in a part."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.models import PartKind, PriorUse
from maintenance.parts.wear_entries import UNIT_WORDS, scale_life
from spools.statements import words_for
from spools.wording import format_day, format_number, format_significant, format_time

# Further ahead only the year of a forecast counts.
NEAR = timedelta(days=730)


def format_far_day(at: datetime) -> str:
    """The day of a forecast, or its year where that is more than two years ahead."""
    return format_day(at) if at < timezone.now() + NEAR else str(timezone.localtime(at).year)


def format_records(worn: int, removed: int, in_use: int) -> str:
    """The parts that taught the life of a kind; "" for none."""
    counts = [
        (worn, _("{count} worn")),
        (removed, _("{count} taken off before that")),
        (in_use, _("{count} in use")),
    ]
    return ", ".join(words.format(count=count) for count, words in counts if count)


def _band(life: Sequence[float], unit: str) -> str:
    """life: (low, likely, high)."""
    factor, words = scale_life(unit, life[1])
    low, likely, high = (format_number(factor * amount) for amount in life)
    band = _("{likely} ({low} to {high}) {unit}")
    return band.format(likely=likely, low=low, high=high, unit=words)


def format_life(amount: float, unit: str) -> str:
    """An amount of a part's life with its unit."""
    factor, words = scale_life(unit, amount)
    return f"{format_number(factor * amount)} {words}"


@words_for("life_reason.age")
def _age(age: float, unit: str) -> str:
    days = _("It was fitted for {amount}.")
    lead = days if unit == PartKind.Unit.DAYS else _("Its jobs add up to {amount}.")
    return lead.format(amount=format_life(age, unit))


@words_for("life_reason.stated")
def _stated(part: str, life: Sequence[float], unit: str, source: str, how: str) -> str:
    stated = _("Stated of the {part}: {life}. {source} ({how}).")
    return stated.format(part=part, life=_band(life, unit), source=source, how=how)


@words_for("life_reason.own_parts")
def _own_parts(records: Mapping[str, int], life: Sequence[float], unit: str) -> str:
    together = _("Together with this shop's own parts ({records}): {life}.")
    return together.format(records=format_records(**records), life=_band(life, unit))


@words_for("life_reason.prior_use")
def _prior_use(amount: float | None, stated_in: str, entered: float | None, unit: str) -> str:
    if amount is None:
        return _(
            "It was used before it came into the records, and nobody knows how long: any share of its life may be gone."
        )
    text = _("It was used before: {stated}.")
    if entered is None:
        text = _(
            "It was used before: {stated}. That is no measure of {unit}, so its age is taken as unknown."
        )
    elif stated_in != unit:
        text = _("It was used before: {stated}, taken as {life}.")
    return text.format(
        stated=f"{format_number(amount)} {PriorUse.Unit(stated_in).label}",
        unit=UNIT_WORDS[unit],
        life=format_life(entered or 0.0, unit),
    )


@words_for("life_reason.sound")
def _sound(age: float, unit: str) -> str:
    return _("It was taken off sound at {amount}.").format(amount=format_life(age, unit))


@words_for("life_reason.bore")
def _bore(
    bore_mm: float, error_mm: float, measured_at: str, worn_mm: float, life: Sequence[float], unit: str
) -> str:
    at = format_time(datetime.fromisoformat(measured_at))
    return _(
        "Its bore was {bore} mm (± {error}) on {time} and is worn out at {worn} mm. So it should last {life} in all."
    ).format(
        bore=format_significant(bore_mm),
        error=format_significant(error_mm, 2),
        time=at,
        worn=format_significant(worn_mm),
        life=_band(life, unit),
    )


@words_for("consumable.lasts")
def _lasts(at: str, early_at: str, late_at: str, a_month: float, unit: str, days: int) -> str:
    about, early, late = (format_far_day(datetime.fromisoformat(day)) for day in (at, early_at, late_at))
    return _(
        "Lasts until about {about} ({early} to {late}) at {amount} {unit} a month: services as they come due, other use as "
        "in the last {days} days."
    ).format(about=about, early=early, late=late, amount=format_number(a_month), unit=_(unit), days=days)


@words_for("life_reason.rate")
def _rate(used: float, unit: str, days: int) -> str:
    rate = _("Present rate: {amount} in {days} days, from the last {days} or since it was fitted.")
    return rate.format(amount=format_life(used, unit), days=days)
