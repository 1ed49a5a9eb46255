"""The words of reminders: title and reason of each code, its remedy, and the details of events.

A code, with its words, stays as long as ended reminders may have it.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.utils.text import capfirst
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from maintenance.models import PartKind
from maintenance.parts.life import RATE_PERIOD
from maintenance.parts.wear_entries import UNIT_WORDS, scale_life
from spools.sentences import register_sentences, register_units
from spools.statements import Statement, list_codes, words_for
from spools.wording import (
    format_chance,
    format_day,
    format_duration,
    format_list,
    format_number,
    format_percent,
    format_set_points,
    format_significant,
    format_temperature,
    format_time,
)

AMOUNT_UNITS = {
    "outer_water_pct": _("% water in the outer turns"),
    "heat_budget_pct": _("% of its heat budget"),
    "rh_pct": _("% RH"),
    "flow_loss_pct": _("% flow loss"),
    "in_stock": _("in stock"),
    "g": "g",
}

register_units(UNIT_WORDS | AMOUNT_UNITS)


# The title of each reason: what is to be done, and where.
TITLES = {
    "reminder.outer_turns_wet": _("Re-dry {spool!c} ({polymer})"),
    "reminder.outer_turns_soon_wet": _("Re-dry {spool!c} ({polymer})"),
    "reminder.moisture_undecided": _("Weigh {spool!c} ({polymer})"),
    "reminder.first_stage_over": _("Turn {dryer} up to {set_point_c!o}"),
    "reminder.drying_over": _("Take {spool!c} out of {dryer}"),
    "reminder.drying_too_short": _("{spool!c} needs longer in {dryer} than planned"),
    "reminder.run_heat_used_up": _("Take {spool!c} out of {dryer} now"),
    "reminder.heat_budget_low": _("Little heat is left for drying {spool!c} ({polymer})"),
    "reminder.desiccant_spent": _("Regenerate the desiccant of {place}"),
    "reminder.box_leaks": _("{place} leaks"),
    "reminder.sensor_silent": _("The sensor in {place} is silent"),
    "reminder.sensor_gone": _("The sensor in {place} is gone"),
    "reminder.flow_check_before_new_parts": _("Check the flow of {toolhead}"),
    "reminder.flow_check_old": _("Check the flow of {toolhead}"),
    "reminder.flow_loss_rises": _("Look at the {part!g} on {toolhead}: its flow loss rises"),
    "reminder.flow_loss_falls": _("Look at the {part!g} on {toolhead}: its flow loss falls"),
    "reminder.part_may_be_used_up": _("Replace the {part!g} on {site}"),
    "reminder.parts_low": _("Reorder {part!g}"),
    "reminder.consumable_low": _("Reorder {consumable!g}"),
    "reminder.feedstock_low": _("Reorder {feedstock}"),
    "notification.test": _("A test from Loadworthy"),
    "notification.confirm": _("Confirm your e-mail address"),
}
REMEDIES = {
    "reminder_remedy.store_dry": _(
        "Put it into dry storage after this print, or dry it; its page has the plan."
    ),
    "reminder_remedy.weigh": _(
        "Weigh it with its reel: the difference from its last weighing shows how much water it took up."
    ),
    "reminder_remedy.turn_up": _("Turn it up and mark this as done."),
    "reminder_remedy.finish_drying": _(
        "Finish the run on the drying page and put the spool into dry storage."
    ),
    "reminder_remedy.dry_longer": _(
        "Leave it in until then. Finish the run on the drying page and put the spool into dry storage."
    ),
    "reminder_remedy.spare_heat": _(
        "Keep it dry and dry it cooler, or only what a job needs. Bend a piece: where it snaps, use it up for parts "
        "that bear no load."
    ),
    "reminder_remedy.regenerate": _(
        "{set_point_c!o} for about {hours:g} h; the maker's data come first; then record it on the box's page."
    ),
    "reminder_remedy.look_for_leak": _(
        "Look at lid, gasket and tube holes, measure the half-time again with the box empty, and correct it on the "
        "box's page."
    ),
    "reminder_remedy.check_sensor": _(
        "Look at its battery and its network. If the sensor was removed, mark this as done."
    ),
    "reminder_remedy.check_flow": _(
        "Extrude blobs from the spool that is loaded and weigh them; the page of the flow check lists them."
    ),
    "reminder_remedy.clean_and_check_flow": _(
        "Look at it and clean it; check the flow again, and replace it if it stays."
    ),
    "reminder_remedy.replace_part": _(
        "Replace it ([{in_stock} in stock|none in stock, reorder]), or take it off and look: a sound one can go on "
        "again."
    ),
    "reminder_remedy.do_service": _(
        "Do it, then record it on the service page of the machine: that ends this reminder."
    ),
    "reminder_remedy.buy_parts": _("Buy some, and receive them on the stock page."),
    "reminder_remedy.buy_spool": _("Buy a spool, and receive it."),
    "notification_remedy.none": _("It has arrived; there is nothing to do."),
    "notification_remedy.confirm": _(
        "Open the link within three days. If it was not you, do nothing: nothing else is sent."
    ),
}
# Rising and falling alike.
FLOW_LOSS = _(
    "{material} at {flow_mm3_s!n} mm³/s: {first_loss_pct:.1f} % lost at first, {last_loss_pct:.1f} % at the last check. "
    "The control chart signals since {since!d}.[ At this pace {limit_pct:g} % about {limit_at!d}.]"
)
REASONS = {
    "notification.test": _("You asked for it in the notification settings."),
    "notification.confirm": _("Somebody gave this address for reminders of a print shop."),
    "reminder.note": "{note}",
    "reminder.snoozed_until": _("until {until!t}"),
    "reminder.outer_turns_wet": _(
        "The outer {mass_g!m} hold {water_pct!n} % ({water_low_pct!n} to {water_high_pct!n} %); {polymer} prints well up "
        "to {limit_pct:g} %."
    ),
    "reminder.outer_turns_soon_wet": _(
        "The outer {mass_g!m} hold {water_pct!n} % ({water_low_pct!n} to {water_high_pct!n} %); in the air of {toolhead} "
        "possibly more than {limit_pct:g} %, up to which {polymer} prints well, in about {hours_left!h}."
    ),
    "reminder.moisture_undecided": _(
        "The outer {mass_g!m} hold {water_pct!n} % ({water_low_pct!n} to {water_high_pct!n} %), and {polymer} prints well "
        "up to {limit_pct:g} %: the interval is too wide to decide. It was last weighed on {weighed_at!d}."
    ),
    "reminder.first_stage_over": _(
        "The first stage of {spool!c}, {first_h:.4g} h at {first_set_point_c!o}, was over {over_at!t}; the plan assumes a "
        "higher temperature from here."
    ),
    "reminder.run_heat_used_up": _(
        "By {since!t} it had received all the heat that a polyamide may get in one run; more turns it yellow and "
        "brittle."
    ),
    "reminder.drying_over": "{run!w} {room!w}",
    "reminder.drying_too_short": _("{run!w} All of it is likely dry enough only from {dry_at!t}. {room!w}"),
    "reminder.stays_printable": _(
        "In the room's air ({temperature_c!o}, {rh_pct:.0f} % RH), which also fills the dryer once that is off, its outer "
        "{mass_g!m} stay below the print limit for {forecast_h!h}."
    ),
    "reminder.wet_again": _(
        "In the room's air ({temperature_c!o}, {rh_pct:.0f} % RH), which also fills the dryer once that is off, its outer "
        "{mass_g!m} may be over the print limit again after {printable_h!h}."
    ),
    "reminder.wet_there": _(
        "In the room's air ({temperature_c!o}, {rh_pct:.0f} % RH), which also fills the dryer once that is off, its outer "
        "{mass_g!m} may be over the print limit as they are."
    ),
    "reminder.heat_budget_low": _(
        "{used_pct!n} % of the heat that a polyamide may get in its life is used, in {dried_h!n} h of drying. After one "
        "more usual drying, at least {usual_h:g} h at {usual_set_point_c!o}, it would be {then_pct!n} %."
    ),
    "reminder.box_leaks": _(
        "Measured {measured_rh_pct!n} % RH, computed {computed_rh_pct!n} % for the leak that is recorded; a reading up to "
        "{agreeing_rh_pct!n} % would agree. Its desiccant should have much left. The limit of the box is {limit_pct:g} %."
    ),
    "reminder.desiccant_spent": _(
        "{rh_pct!n} % RH in it, [measured?measured|computed]; the limit is {limit_pct:g} %[, which is about {hours_left!h} "
        "away]. {why!w}"
    ),
    "reminder.desiccant_water": _("The {dry_mass_g!m} hold {water_g!n} of {limit_g!n} g of water."),
    "reminder.service_due": _(
        "{used!n} {unit!u} {counted_since!w}; its interval is {interval!n}. Source: {source!g}."
    ),
    "reminder.flow_check_old": _(
        "The last one was on {checked_at!d}, more than {limit_days} days ago, and it has printed since."
    ),
    "reminder.parts_low": _(
        "{in_stock} in stock; the reorder point is {reorder_point}.[ Of those fitted, {used_up_soon} will probably be used "
        "up within {delivery_days} days.][ At the present rate of use stock runs out on {runs_out_at!d}.]"
    ),
    "reminder.consumable_low": _(
        "{in_stock!n} {unit!g} in stock; the reorder point is {reorder_point} {unit!g}.[ At the present use it lasts until "
        "about {runs_out_at!d} ({early_at!d} to {late_at!d}).]"
    ),
    "reminder.feedstock_low": _(
        "{mass_g!m} on all spools; the reorder point is {reorder_point_g!m}.[ At {used_g_per_day:.2g} g a day it lasts until "
        "{runs_out_at!d}.]"
    ),
    "reminder.flow_loss_rises": FLOW_LOSS,
    "reminder.flow_loss_falls": FLOW_LOSS,
}
# The one number of each, for a list.
SHORT = {
    "reminder.outer_turns_wet": _("{water_pct!n} % water, prints well up to {limit_pct:g} %"),
    "reminder.outer_turns_soon_wet": _("{water_pct!n} % water, possibly too wet in {hours_left!h}"),
    "reminder.moisture_undecided": _(
        "{water_low_pct!n} to {water_high_pct!n} % water, prints well up to {limit_pct:g} %"
    ),
    "reminder.first_stage_over": _("first stage over {over_at!t}"),
    "reminder.drying_too_short": _("likely dry enough from {dry_at!t}"),
    "reminder.run_heat_used_up": _("all the heat of one run by {since!t}"),
    "reminder.heat_budget_low": _("{used_pct!n} % of its heat budget used"),
    "reminder.box_leaks": _("{measured_rh_pct!n} % RH measured, {computed_rh_pct!n} % computed"),
    "reminder.desiccant_spent": _("{rh_pct!n} % RH, limit {limit_pct:g} %"),
    "reminder.sensor_silent": _("last reading {last_at!t}"),
    "reminder.sensor_gone": _("gone since {last_at!t}"),
    "reminder.service_due": _("{used!n} of {interval!n} {unit!u}"),
    "reminder.flow_check_before_new_parts": _("new parts since {checked_at!d}"),
    "reminder.flow_check_old": _("last one on {checked_at!d}"),
    "reminder.flow_loss_rises": _("{last_loss_pct:.1f} % lost, {first_loss_pct:.1f} % at first"),
    "reminder.flow_loss_falls": _("{last_loss_pct:.1f} % lost, {first_loss_pct:.1f} % at first"),
    "reminder.part_may_be_used_up": _("chance that it is used up: {used_up_pct!l}"),
    "reminder.parts_low": _("{in_stock} in stock, reorder at {reorder_point}"),
    "reminder.consumable_low": _("{in_stock!n} {unit!g} in stock, reorder at {reorder_point} {unit!g}"),
    "reminder.feedstock_low": _("{mass_g!m} left, reorder at {reorder_point_g!m}"),
}
# How a date or a chance was found.
WHY = {
    "reminder.parts_low": _(
        "The date is when the parts that are fitted will have used up the stock, at the use of the last {days} days; "
        "delivery is taken as {delivery_days} days (common practice, no source)."
    ),
    "reminder.consumable_low": _(
        "The date follows from the services that come due and from what was taken from stock of late; the range is that "
        "of 80 % of shops whose use changes by a quarter from month to month (common practice, no source)."
    ),
    "reminder.feedstock_low": _(
        "The date is the filament on all spools divided by the use of the last {days} days, by jobs and by cutting off."
    ),
    "reminder.part_may_be_used_up": _(
        "The chance follows from the jobs that the part has printed, its filler and the lives of such parts; the page of "
        "the part shows them with their sources."
    ),
}
register_sentences(
    {f"{code}.title": title for code, title in TITLES.items()}
    | {f"{code}.short": short for code, short in SHORT.items()}
    | {f"{code}.why": why for code, why in WHY.items()}
    | REMEDIES
    | REASONS
)


def explain(reason: Statement) -> Statement | None:
    """How a date or a chance in the reason of a reminder was found; None where the reason has none."""
    code = f"{reason.code}.why"
    if not reason.values.get("runs_out_at", True):
        return None
    return Statement(code, {**reason.values, "days": RATE_PERIOD.days}) if code in list_codes() else None


@words_for("reminder.service_due.title")
def _service_title(service: str, site: str, **others: Any) -> str:
    return gettext("{service} on {site}").format(service=capfirst(gettext(service)), site=site)


@words_for("reminder.drying_over.short")
def _drying_over(run: Mapping[str, Any], **others: Any) -> str:
    over_at = format_time(datetime.fromisoformat(run["values"]["over_at"]))
    return gettext("planned hours over {time}").format(time=over_at)


@words_for("reminder.sensor_silent")
def _sensor_silent(
    *, last_at: str, interval_h: float, air_origin: str, temperature_c: float, rh_pct: float, **others: Any
) -> str:
    last = gettext("Its last reading came on {time}; before that one came every {interval}.").format(
        time=format_time(datetime.fromisoformat(last_at)), interval=format_duration(interval_h)
    )
    return f"{last} {_describe_air(air_origin, temperature_c, rh_pct)}"


@words_for("reminder.sensor_gone")
def _sensor_gone(
    *, sensor: str, last_at: str, air_origin: str, temperature_c: float, rh_pct: float, **others: Any
) -> str:
    last = gettext("Its broker reports {sensor} as gone since {time}.").format(
        sensor=sensor, time=format_time(datetime.fromisoformat(last_at))
    )
    return f"{last} {_describe_air(air_origin, temperature_c, rh_pct)}"


def _describe_air(air_origin: str, temperature_c: float, rh_pct: float) -> str:
    return AIRS.get(air_origin, AIRS["computed"]).format(
        temperature=format_temperature(temperature_c), rh=format_percent(rh_pct)
    )


# A reading by hand or from a file may be newer than the last one of the sensor.
AIRS = {
    "reading": _("Another reading shows: {temperature} and {rh} RH."),
    "assumed": _("Its air is assumed meanwhile: {temperature} and {rh} RH."),
    "computed": _("Its air is computed meanwhile: {temperature} and {rh} RH."),
}


@words_for("reminder.run_over")
def _run_over(planned_h: float, stages: Sequence[Sequence[float]], over_at: str) -> str:
    """stages: (set point in °C, hours)."""
    (first_c, first_h), (last_c, _c) = stages[0], stages[-1]
    return gettext("{hours} h ({set_points}) were over {time}.").format(
        hours=format_significant(planned_h, 4),
        set_points=format_set_points(last_c, first_c, first_h if len(stages) > 1 else None),
        time=format_time(datetime.fromisoformat(over_at)),
    )


@words_for("reminder.flow_check_before_new_parts")
def _before_new_parts(checked_at: str, roles: Sequence[str], **others: Any) -> str:
    return gettext("The last one was on {day}, before a change of {parts}.").format(
        day=format_day(datetime.fromisoformat(checked_at)),
        parts=format_list([str(PartKind.Role(role).label) for role in roles]),
    )


@words_for("reminder.amount")
def _amount(amount: float, unit: str) -> str:
    factor, words = scale_life(unit, amount) if unit in UNIT_WORDS else (1.0, AMOUNT_UNITS[unit])
    return f"{format_number(factor * amount)} {words}"


@words_for("reminder.snoozed_until_amount")
def _snoozed_until_amount(amount: float, unit: str) -> str:
    return gettext("until {amount}").format(amount=_amount(amount, unit))


@words_for("reminder.part_may_be_used_up")
def _part_may_be_used_up(
    *,
    age: float,
    life: float,
    life_low: float,
    life_high: float,
    unit: str,
    used_up_pct: float,
    **others: Any,
) -> str:
    factor, words = scale_life(unit, life)
    done, likely, low, high = (format_number(factor * amount) for amount in (age, life, life_low, life_high))
    return gettext(
        "It has done {done} {unit} of an expected {likely} ({low} to {high}): {chance} likely to be used up."
    ).format(done=done, unit=words, likely=likely, low=low, high=high, chance=format_chance(used_up_pct))
