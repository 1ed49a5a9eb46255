"""Dry boxes: desiccant that is spent or will be soon, and boxes that leak."""

from datetime import datetime, timedelta

from maintenance.models import Reminder
from maintenance.reminders.conditions.conditions import Conditions
from spools.air.dry_box import BoxNow, boxes_now
from spools.air.dry_box_facts import complete_boxes
from spools.air.dry_box_outlook import ADVICE
from spools.air.hourly import hour_of
from spools.air.hygrometer import HygrometerFinding, most_measured_pct
from spools.models import DesiccantCharge
from spools.wording import format_duration, format_number

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
        findings = {finding.kind: finding for finding in box.findings}
        reminder = _regenerate(box, findings.get("spent"), now)
        if "spent" in findings or _below(box, OPEN_DAYS, OPEN_SHARE):
            conditions.open(reminder, urgent=box.over_limit)
        elif _below(box, HOLD_DAYS, HOLD_SHARE) or box.off > STILL_OFF:
            conditions.hold(reminder)
        if "leak" in findings:
            conditions.open(_leak(box), urgent=box.over_limit)
        elif box.off > STILL_OFF:
            conditions.hold(_leak(box))
    return conditions


def _below(box: BoxNow, most_days: float, share: float) -> bool:
    """Whether it is over its limit in fewer days, and in less than this share of what regenerating gives."""
    if box.days_likely is None or box.days_likely >= most_days:
        return False
    fresh = box.regenerated[0].days
    return box.over_limit or fresh is None or box.days_likely <= share * fresh


def _regenerate(box: BoxNow, finding: HygrometerFinding | None, now: datetime) -> Reminder:
    place, days = box.place, box.days_likely
    how = "computed" if box.measured_rh_pct is None else "measured"
    when = "" if box.over_limit or not days else f", which is about {format_duration(24 * days)} away"
    advice = ADVICE[DesiccantCharge.Kind(box.charge.kind)]
    held = f"The {box.charge.dry_mass_g:g} g hold {format_number(box.held_g)} of {format_number(box.limit_g)} g of water."
    return Reminder(
        kind=Kind.REGENERATE,
        condition=f"regenerate:place:{place.pk}",
        title=f"Regenerate the desiccant of {place}",
        why=f"{format_number(box.rh_pct)} % RH in it, {how}; the limit is {place.limit_rh_pct:g} %{when}. "
        f"{finding.sentence if finding else held}",
        remedy=f"{advice.celsius:g} °C for about {advice.hours:g} h, the maker's word first; then record it "
        "on the box's page.",
        place=place,
        due_at=None if days is None else hour_of(now + timedelta(days=days)),
        amount=box.rh_pct,
        amount_unit="% RH",
    )


def _leak(box: BoxNow) -> Reminder:
    return Reminder(
        kind=Kind.LEAK,
        condition=f"leak:place:{box.place.pk}",
        title=f"{box.place} leaks",
        why=f"Measured {format_number(box.rh_pct)} % RH, computed {format_number(box.computed_rh_pct)} % for the leak that "
        f"is recorded; a reading up to {format_number(most_measured_pct(box.computed_rh_pct))} % would agree. "
        f"Its desiccant should have much left. The limit of the box is {box.place.limit_rh_pct:g} %.",
        remedy="Look at lid, gasket and tube holes, measure the half-time again with the box empty, and "
        "correct it on the box's page.",
        place=box.place,
        amount=box.rh_pct,
        amount_unit="% RH",
    )
