"""Fitted parts that may be used up."""

from collections.abc import Iterator, Mapping
from datetime import datetime

from maintenance.board.upkeep import PartUpkeep, Upkeep
from maintenance.models import Reminder
from maintenance.parts.wear_entries import in_stock
from maintenance.readiness.verdict import POSSIBLE
from maintenance.reminders.conditions.conditions import Condition
from spools.air.hourly import hour_of
from spools.statements import Statement
from spools.wording import round_as_shown

# Urgent when it is likelier used up than not.
USED_UP = 0.5


def check_parts(upkeep: Mapping[int, Upkeep], now: datetime) -> Iterator[Condition]:
    counts = in_stock()
    for part in (part for toolhead in upkeep.values() for part in toolhead.parts):
        if part.used_up > POSSIBLE:
            yield Condition(
                _replace(part, max(0, int(counts.get(part.kind, 0)))), urgent=part.used_up > USED_UP
            )


def _replace(part: PartUpkeep, count: int) -> Reminder:
    low, likely, high = (round_as_shown(life) for life in part.life)
    values = {
        "part": part.name,
        "site": part.site,
        "age": round_as_shown(part.age),
        "life": likely,
        "life_low": low,
        "life_high": high,
        "unit": part.unit,
        "used_up_pct": round(100 * part.used_up),
    }
    return Reminder(
        kind=Reminder.Kind.REPLACE,
        condition=f"replace:part:{part.part}",
        reason=Statement("reminder.part_may_be_used_up", values),
        remedy=Statement("reminder_remedy.replace_part", {"in_stock": count}),
        part_id=part.part,
        toolhead_id=part.toolhead,
        due_at=part.used_up_at and hour_of(part.used_up_at),
        amount=part.age,
        amount_unit=part.unit,
    )
