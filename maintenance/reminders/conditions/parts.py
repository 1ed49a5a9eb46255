"""Fitted parts that may be used up."""

from datetime import datetime

from maintenance.models import Reminder
from maintenance.parts.life import PartWear, load_fitted_parts
from maintenance.parts.wear_entries import UNIT_WORDS
from maintenance.readiness.verdict import POSSIBLE
from maintenance.reminders.conditions.conditions import Found
from spools.air.hourly import hour_of
from spools.wording import format_number

# Pressing when it is likelier used up than not.
USED_UP = 0.5


def worn(now: datetime, fitted: list[PartWear] | None = None) -> Found:
    """fitted: the parts that are fitted now, where the caller has them."""
    found = Found([Reminder.Kind.REPLACE])
    for of in load_fitted_parts(at=now) if fitted is None else fitted:
        chance = of.left().probability_used_up
        if chance > POSSIBLE:
            found.want(_replace(of), pressing=chance > USED_UP)
    return found


def _replace(of: PartWear) -> Reminder:
    life, left, unit = of.expected, of.left(), UNIT_WORDS[of.kind.life_unit]
    band = f"{format_number(life.median)} ({format_number(life.low)} to {format_number(life.high)})"
    stock = f"{of.in_stock} in stock" if of.in_stock > 0 else "none in stock, reorder"
    assert of.fitting is not None
    return Reminder(
        kind=Reminder.Kind.REPLACE,
        cause=f"replace:part:{of.part.pk}",
        title=f"Replace the {of.kind} on {of.fitting.site}",
        why=f"It has done {format_number(of.age)} {unit} of an expected {band}: "
        f"{100 * left.probability_used_up:.0f} % likely to be used up.",
        remedy=f"Replace it ({stock}), or take it off and look: a sound one can go on again.",
        part=of.part,
        toolhead_id=of.fitting.toolhead_id,
        due_at=left.used_up_at and hour_of(left.used_up_at),
        amount=of.age,
        amount_unit=unit,
    )
