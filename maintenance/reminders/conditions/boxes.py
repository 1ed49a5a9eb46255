"""Dry boxes: desiccant that is spent or will be soon, and boxes that leak."""

from datetime import datetime, timedelta

from maintenance.models import Reminder
from maintenance.reminders.conditions.conditions import Conditions
from spools.air.dry_box import BoxNow, boxes_now
from spools.air.dry_box_facts import complete_boxes
from spools.air.dry_box_outlook import ADVICE
from spools.air.hourly import hour_of
from spools.air.hygrometer import most_measured_pct
from spools.models import DesiccantCharge
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


def check_boxes(now: datetime) -> Conditions:
    """Dry boxes over their humidity limit now or soon, and boxes whose hygrometer disagrees with the computed air."""
    conditions = Conditions([Kind.REGENERATE, Kind.LEAK])
    for box in boxes_now(complete_boxes(), now, past=None).values():
        if box.waiting is not None:
            continue
        findings = {finding.code: finding for finding in box.findings}
        reminder = _regenerate(box, findings.get("dry_box.spent"), now)
        if "dry_box.spent" in findings or _below(box, OPEN_DAYS, OPEN_SHARE):
            conditions.open(reminder, urgent=box.over_limit)
        elif _below(box, HOLD_DAYS, HOLD_SHARE) or box.deviation > STILL_OFF:
            conditions.hold(reminder)
        if "dry_box.leak" in findings:
            conditions.open(_leak(box), urgent=box.over_limit)
        elif box.deviation > STILL_OFF:
            conditions.hold(_leak(box))
    return conditions


def _below(box: BoxNow, most_days: float, share: float) -> bool:
    """Whether it is over its limit in fewer days, and in less than this share of what regenerating gives."""
    if box.days_likely is None or box.days_likely >= most_days:
        return False
    fresh = box.regenerated[0].days
    return box.over_limit or fresh is None or box.days_likely <= share * fresh


def _regenerate(box: BoxNow, finding: Statement | None, now: datetime) -> Reminder:
    place, days = box.place, box.days_likely
    advice = ADVICE[DesiccantCharge.Kind(box.charge.kind)]
    values = {
        "place": str(place),
        "rh_pct": round_as_shown(box.rh_pct),
        "measured": box.measured_rh_pct is not None,
        "limit_pct": place.limit_rh_pct,
        "hours_left": None if box.over_limit or not days else round_duration(24 * days),
        "charge": {
            "dry_mass_g": box.charge.dry_mass_g,
            "water_g": round_as_shown(box.held_g),
            "limit_g": round_as_shown(box.limit_g),
        },
        "finding": finding and finding.as_data(),
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


def _leak(box: BoxNow) -> Reminder:
    values = {
        "place": str(box.place),
        "measured_rh_pct": round_as_shown(box.rh_pct),
        "computed_rh_pct": round_as_shown(box.computed_rh_pct),
        "agreeing_rh_pct": round_as_shown(most_measured_pct(box.computed_rh_pct)),
        "limit_pct": box.place.limit_rh_pct,
    }
    return Reminder(
        kind=Kind.LEAK,
        condition=f"leak:place:{box.place.pk}",
        reason=Statement("reminder.box_leaks", values),
        remedy=Statement("reminder_remedy.look_for_leak"),
        place=box.place,
        amount=box.rh_pct,
        amount_unit="rh_pct",
    )
