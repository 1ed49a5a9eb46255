"""Fitted parts that may be used up."""

from datetime import datetime

from maintenance.models import Reminder
from maintenance.parts.life import PartWear, load_fitted_parts
from maintenance.parts.wear_entries import UNIT_WORDS
from maintenance.readiness.verdict import POSSIBLE
from maintenance.reminders.conditions.conditions import Conditions
from spools.air.hourly import hour_of
from spools.wording import format_number

# Urgent when it is likelier used up than not.
USED_UP = 0.5


def check_parts(now: datetime, fitted: list[PartWear] | None = None) -> Conditions:
    """fitted: the parts that are fitted now, where the caller has them."""
    conditions = Conditions([Reminder.Kind.REPLACE])
    for wear in load_fitted_parts(at=now) if fitted is None else fitted:
        chance = wear.life_left().probability_used_up
        if chance > POSSIBLE:
            conditions.open(_replace(wear), urgent=chance > USED_UP)
    return conditions


def _replace(wear: PartWear) -> Reminder:
    life, left, unit = wear.expected, wear.life_left(), UNIT_WORDS[wear.kind.life_unit]
    band = f"{format_number(life.median)} ({format_number(life.low)} to {format_number(life.high)})"
    stock = f"{wear.in_stock} in stock" if wear.in_stock > 0 else "none in stock, reorder"
    assert wear.fitting is not None
    return Reminder(
        kind=Reminder.Kind.REPLACE,
        condition=f"replace:part:{wear.part.pk}",
        title=f"Replace the {wear.kind} on {wear.fitting.site}",
        why=f"It has done {format_number(wear.age)} {unit} of an expected {band}: "
        f"{100 * left.probability_used_up:.0f} % likely to be used up.",
        remedy=f"Replace it ({stock}), or take it off and look: a sound one can go on again.",
        part=wear.part,
        toolhead_id=wear.fitting.toolhead_id,
        due_at=left.used_up_at and hour_of(left.used_up_at),
        amount=wear.age,
        amount_unit=unit,
    )
