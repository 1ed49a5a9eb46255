"""Dry boxes: desiccant that is spent or will be soon, and boxes that leak."""

from collections.abc import Iterator
from datetime import datetime, timedelta

from maintenance.models import Reminder
from maintenance.reminders.conditions.conditions import Condition
from spools.air import dry_box_board
from spools.air.dry_box_board import BoxAnswer
from spools.air.dry_box_outlook import ADVICE
from spools.air.hourly import hour_of
from spools.air.hygrometer import most_measured_pct
from spools.models import DesiccantCharge, Place
from spools.statements import Statement
from spools.wording import round_as_shown, round_duration

Kind = Reminder.Kind
# Days until a dry box is over its limit: opened below the first, held below the second. Where fresh desiccant
# itself lasts few days, these shares of its life count instead, so that regenerating resolves the reminder.
OPEN_DAYS, HOLD_DAYS = 7, 10
OPEN_SHARE, HOLD_SHARE = 1 / 4, 1 / 2
# A hygrometer's finding is held until the reading is so much nearer to the computed air: one hour at the limit
# of the allowed difference does not resolve it.
STILL_OFF = 0.5


def check_boxes(now: datetime) -> Iterator[Condition]:
    """Dry boxes over their humidity limit now or soon, and boxes whose hygrometer disagrees with the computed air."""
    for place, box in dry_box_board.read(now):
        if box.is_waiting:
            continue
        findings = {finding.code: finding for finding in box.findings}
        over, off = box.over_limit, box.deviation > STILL_OFF
        spent = "dry_box.spent" in findings or _below(box, OPEN_DAYS, OPEN_SHARE, now)
        if spent or off or _below(box, HOLD_DAYS, HOLD_SHARE, now):
            reminder = _regenerate(place, box, findings.get("dry_box.spent"), now)
            yield Condition(reminder, opens=spent, urgent=over)
        leaks = "dry_box.leak" in findings
        if leaks or off:
            yield Condition(_leak(place, box), opens=leaks, urgent=over)


def _days_left(box: BoxAnswer, now: datetime) -> float | None:
    return None if box.days is None else max(0.0, box.days - (now - box.at) / timedelta(days=1))


def _below(box: BoxAnswer, most_days: float, share: float, now: datetime) -> bool:
    """Whether it is over its limit in fewer days, and in less than this share of what regenerating gives."""
    days, fresh = _days_left(box, now), box.fresh_days
    if days is None or days >= most_days:
        return False
    return box.over_limit or fresh is None or days <= share * fresh


def _regenerate(place: Place, box: BoxAnswer, finding: Statement | None, now: datetime) -> Reminder:
    days, advice = _days_left(box, now), ADVICE[DesiccantCharge.Kind(box.kind)]
    held_g, limit_g = round_as_shown(box.held_g), round_as_shown(box.limit_g)
    water = {"dry_mass_g": box.dry_mass_g, "water_g": held_g, "limit_g": limit_g}
    values = {
        "place": str(place),
        "rh_pct": round_as_shown(box.rh_pct),
        "measured": box.measured_rh_pct is not None,
        "limit_pct": place.limit_rh_pct,
        "hours_left": None if box.over_limit or not days else round_duration(24 * days),
        "why": (finding or Statement("reminder.desiccant_water", water)).as_data(),
    }
    return Reminder(
        kind=Kind.REGENERATE,
        condition=f"regenerate:place:{place.pk}",
        reason=Statement("reminder.desiccant_spent", values),
        remedy=Statement(
            "reminder_remedy.regenerate", {"set_point_c": advice.celsius, "hours": advice.hours}
        ),
        place=place,
        due_at=None if days is None else hour_of(now + timedelta(days=days)),
        amount=box.rh_pct,
        amount_unit="rh_pct",
    )


def _leak(place: Place, box: BoxAnswer) -> Reminder:
    values = {
        "place": str(place),
        "measured_rh_pct": round_as_shown(box.rh_pct),
        "computed_rh_pct": round_as_shown(box.computed_rh_pct),
        "agreeing_rh_pct": round_as_shown(most_measured_pct(box.computed_rh_pct, box.is_checked)),
        "limit_pct": place.limit_rh_pct,
    }
    return Reminder(
        kind=Kind.LEAK,
        condition=f"leak:place:{place.pk}",
        reason=Statement("reminder.box_leaks", values),
        remedy=Statement("reminder_remedy.look_for_leak"),
        place=place,
        amount=box.rh_pct,
        amount_unit="rh_pct",
    )
