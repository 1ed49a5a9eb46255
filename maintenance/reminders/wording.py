"""The words of reminders: title and reason of each code, its remedy, and the details of events.

A code, with its words, stays as long as ended reminders may have it.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from maintenance.models import PartKind
from maintenance.parts.wear_entries import UNIT_WORDS, scale_life
from spools.sentences import register_sentences, register_units
from spools.statements import words_for
from spools.wording import format_chance, format_day, format_number, format_set_points, format_time

AMOUNT_UNITS = {
    "outer_water_pct": "% water in the outer turns",
    "heat_budget_pct": "% of its heat budget",
    "rh_pct": "% RH",
    "flow_loss_pct": "% flow loss",
    "in_stock": "in stock",
    "g": "g",
}

register_units(UNIT_WORDS | AMOUNT_UNITS)


# The title of each reason: what is to be done, and where.
TITLES = {
    "reminder.outer_turns_wet": "Re-dry {spool!c} ({polymer})",
    "reminder.outer_turns_soon_wet": "Re-dry {spool!c} ({polymer})",
    "reminder.moisture_undecided": "Weigh {spool!c} ({polymer})",
    "reminder.first_stage_over": "Turn {dryer} up to {set_point_c:g} °C",
    "reminder.drying_over": "Take {spool!c} out of {dryer}",
    "reminder.drying_too_short": "{spool!c} needs longer in {dryer} than planned",
    "reminder.run_heat_used_up": "Take {spool!c} out of {dryer} now",
    "reminder.heat_budget_low": "Little heat is left for drying {spool!c} ({polymer})",
    "reminder.desiccant_spent": "Regenerate the desiccant of {place}",
    "reminder.box_leaks": "{place} leaks",
    "reminder.sensor_silent": "The sensor in {place} is silent",
    "reminder.flow_check_before_new_parts": "Check the flow of {toolhead}",
    "reminder.flow_check_old": "Check the flow of {toolhead}",
    "reminder.flow_loss_rises": "Look at the {part} on {toolhead}: its flow loss rises",
    "reminder.flow_loss_falls": "Look at the {part} on {toolhead}: its flow loss falls",
    "reminder.part_may_be_used_up": "Replace the {part} on {site}",
    "reminder.parts_low": "Reorder {part}",
    "reminder.consumable_low": "Reorder {consumable}",
    "reminder.feedstock_low": "Reorder {feedstock}",
    "notification.test": "A test from Loadworthy",
    "notification.confirm": "Confirm your e-mail address",
}
FINISH = "Finish the run on the drying page and put the spool into dry storage."
REMEDIES = {
    "reminder_remedy.store_dry": "Put it into dry storage after this print, or dry it; its page has the plan.",
    "reminder_remedy.weigh": "Weigh it with its reel: the difference from its last weighing shows how much "
    "water it took up.",
    "reminder_remedy.turn_up": "Turn it up and mark this as done.",
    "reminder_remedy.finish_drying": FINISH,
    "reminder_remedy.dry_longer": f"Leave it in until then. {FINISH}",
    "reminder_remedy.spare_heat": "Keep it dry and dry it cooler, or only what a job needs. Bend a piece: where "
    "it snaps, use it up for parts that bear no load.",
    "reminder_remedy.regenerate": "{set_point_c:g} °C for about {hours:g} h; the maker's data come first; then record "
    "it on the box's page.",
    "reminder_remedy.look_for_leak": "Look at lid, gasket and tube holes, measure the half-time again with the "
    "box empty, and correct it on the box's page.",
    "reminder_remedy.check_sensor": "Look at its battery and its network. If the sensor was removed, mark this "
    "as done.",
    "reminder_remedy.check_flow": "Extrude blobs from the spool that is loaded and weigh them; the page of the "
    "flow check lists them.",
    "reminder_remedy.clean_and_check_flow": "Look at it and clean it; check the flow again, and replace it if "
    "it stays.",
    "reminder_remedy.replace_part": "Replace it ([{in_stock} in stock|none in stock, reorder]), or take it off and "
    "look: a sound one can go on again.",
    "reminder_remedy.do_service": "Do it, then record it on the service page of the machine: that ends this "
    "reminder.",
    "reminder_remedy.buy_parts": "Buy some, and receive them on the stock page.",
    "reminder_remedy.buy_spool": "Buy a spool, and receive it.",
    "notification_remedy.none": "It has arrived; there is nothing to do.",
    "notification_remedy.confirm": "Open the link within three days. If it was not you, do nothing: nothing else is sent.",
}


# The outer turns of a spool, which the next job takes.
OUTER = "The outer {mass_g:.0f} g hold {water_pct!n} % ({water_low_pct!n} to {water_high_pct!n} %)"
ROOM = (
    "In the room's air ({temperature_c:.0f} °C, {rh_pct:.0f} % RH), which also fills the dryer once that is off, its "
    "outer {mass_g:.0f} g"
)
REASONS = {
    "notification.test": "You asked for it in the notification settings.",
    "notification.confirm": "Somebody gave this address for reminders of a print shop.",
    "reminder.note": "{note}",
    "reminder.snoozed_until": "until {until!t}",
    "reminder.outer_turns_wet": f"{OUTER}; {{polymer}} prints well up to {{limit_pct:g}} %.",
    "reminder.outer_turns_soon_wet": f"{OUTER}; in the air of {{toolhead}} possibly more than {{limit_pct:g}} %, up to "
    "which {polymer} prints well, in about {hours_left!h}.",
    "reminder.moisture_undecided": f"{OUTER}, and {{polymer}} prints well up to {{limit_pct:g}} %: the interval is too "
    "wide to decide. It was last weighed on {weighed_at!d}.",
    "reminder.first_stage_over": "The first stage of {spool!c}, {first_h:.4g} h at {first_set_point_c:g} °C, was over "
    "{over_at!t}; the plan assumes a higher temperature from here.",
    "reminder.run_heat_used_up": "By {since!t} it had received all the heat that a polyamide may get in one run; more "
    "turns it yellow and brittle.",
    "reminder.drying_over": "{run!w} {room!w}",
    "reminder.drying_too_short": "{run!w} All of it is likely dry enough only from {dry_at!t}. {room!w}",
    "reminder.stays_printable": f"{ROOM} stay below the print limit for {{forecast_h!h}}.",
    "reminder.wet_again": f"{ROOM} may be over the print limit again after {{printable_h!h}}.",
    "reminder.wet_there": f"{ROOM} may be over the print limit as they are.",
    "reminder.heat_budget_low": "{used_pct!n} % of the heat that a polyamide may get in its life is used, in "
    "{dried_h!n} h of drying. After one more usual drying, at least {usual_h:g} h at {usual_set_point_c:g} °C, it "
    "would be {then_pct!n} %.",
    "reminder.box_leaks": "Measured {measured_rh_pct!n} % RH, computed {computed_rh_pct!n} % for the leak that is "
    "recorded; a reading up to {agreeing_rh_pct!n} % would agree. Its desiccant should have much left. The limit of "
    "the box is {limit_pct:g} %.",
    "reminder.desiccant_spent": "{rh_pct!n} % RH in it, [measured?measured|computed]; the limit is {limit_pct:g} %[, "
    "which is about {hours_left!h} away]. {why!w}",
    "reminder.desiccant_water": "The {dry_mass_g:g} g hold {water_g!n} of {limit_g!n} g of water.",
    # A reading by hand or from a file may be newer than the last one of the sensor.
    "reminder.sensor_silent": "Its last reading came on {last_at!t}; before that one came every {interval_h!h}. "
    "[is_read?Another reading shows|Its air is {air_origin} meanwhile]: {temperature_c:.0f} °C and {rh_pct:.0f} % RH.",
    "reminder.flow_check_old": "The last one was on {checked_at!d}, more than {limit_days} days ago, and it has printed "
    "since.",
    "reminder.service_due": "{used!n} {unit!u} {counted_since!w}; its interval is {interval!n}. Source: {source}.",
    "reminder.parts_low": "{in_stock} in stock; the reorder point is {reorder_point}.[ Of those fitted, {used_up_soon} "
    "will probably be used up within {delivery_days} days.][ At the present rate of use stock runs out on "
    "{runs_out_at!d}.]",
    "reminder.consumable_low": "{in_stock!n} {unit} in stock; the reorder point is {reorder_point} {unit}.[ At the "
    "present use it lasts until about {runs_out_at!d} ({early_at!d} to {late_at!d}).]",
    "reminder.feedstock_low": "{mass_g:.0f} g on all spools; the reorder point is {reorder_point_g:.0f} g.[ At "
    "{used_g_per_day:.2g} g a day it lasts until {runs_out_at!d}.]",
}
# Rising and falling alike.
FLOW_LOSS = (
    "{material} at {flow_mm3_s!n} mm³/s: {first_loss_pct:.1f} % lost at first, {last_loss_pct:.1f} % at the last check. "
    "The control chart signals since {since!d}.[ At this pace {limit_pct:g} % about {limit_at!d}.]"
)
REASONS |= dict.fromkeys(["reminder.flow_loss_rises", "reminder.flow_loss_falls"], FLOW_LOSS)
register_sentences({f"{code}.title": title for code, title in TITLES.items()} | REMEDIES | REASONS)
words_for("reminder.service_due.title")(lambda service, site, **_: f"{service.capitalize()} on {site}")


@words_for("reminder.run_over")
def _run_over(planned_h: float, stages: Sequence[Sequence[float]], over_at: str) -> str:
    """stages: (set point in °C, hours)."""
    (first_c, first_h), (last_c, _) = stages[0], stages[-1]
    set_points = format_set_points(last_c, first_c, first_h if len(stages) > 1 else None)
    return f"{planned_h:.4g} h ({set_points}) were over {format_time(datetime.fromisoformat(over_at))}."


@words_for("reminder.flow_check_before_new_parts")
def _before_new_parts(checked_at: str, roles: Sequence[str], **_: Any) -> str:
    parts = " and ".join(str(PartKind.Role(role).label) for role in roles)
    return (
        f"The last one was on {format_day(datetime.fromisoformat(checked_at))}, before a change of {parts}."
    )


@words_for("reminder.amount")
def _amount(amount: float, unit: str) -> str:
    factor, words = scale_life(unit, amount) if unit in UNIT_WORDS else (1.0, AMOUNT_UNITS[unit])
    return f"{format_number(factor * amount)} {words}"


@words_for("reminder.snoozed_until_amount")
def _snoozed_until_amount(amount: float, unit: str) -> str:
    return f"until {_amount(amount, unit)}"


@words_for("reminder.part_may_be_used_up")
def _part_may_be_used_up(
    age: float, life: float, life_low: float, life_high: float, unit: str, used_up_pct: float, **_: Any
) -> str:
    factor, words = scale_life(unit, life)
    done, likely, low, high = (format_number(factor * amount) for amount in (age, life, life_low, life_high))
    return (
        f"It has done {done} {words} of an expected {likely} ({low} to {high}): {format_chance(used_up_pct)} likely to be "
        "used up."
    )
