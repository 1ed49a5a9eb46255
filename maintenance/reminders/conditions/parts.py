"""Fitted parts that may be used up."""

from datetime import datetime

from maintenance.models import Reminder
from maintenance.parts.life import PartWear, load_fitted_parts
from maintenance.readiness.verdict import POSSIBLE
from maintenance.reminders.conditions.conditions import Conditions
from spools.air.hourly import hour_of
from spools.statements import Statement
from spools.wording import round_as_shown

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
    life, left = wear.expected, wear.life_left()
    assert wear.fitting is not None
    values = {
        "part": str(wear.kind),
        "site": str(wear.fitting.site),
        "age": round_as_shown(wear.age),
        "life": round_as_shown(life.median),
        "life_low": round_as_shown(life.low),
        "life_high": round_as_shown(life.high),
        "unit": wear.kind.life_unit,
        "used_up_pct": round(100 * left.probability_used_up),
    }
    return Reminder(
        kind=Reminder.Kind.REPLACE,
        condition=f"replace:part:{wear.part.pk}",
        reason=Statement("reminder.part_may_be_used_up", values),
        remedy=Statement("reminder_remedy.replace_part", {"in_stock": wear.in_stock}),
        part=wear.part,
        toolhead_id=wear.fitting.toolhead_id,
        due_at=left.used_up_at and hour_of(left.used_up_at),
        amount=wear.age,
        amount_unit=wear.kind.life_unit,
    )
