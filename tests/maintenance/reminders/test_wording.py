"""The words of reminders."""

import pytest

from maintenance.reminders.wording import explain
from spools.statements import Statement, list_codes
from tests.wording import assert_words

AT = "2026-03-01T07:05:00+00:00"  # 8:05 in the shop's zone
OUTER_TURNS = {
    "mass_g": 50.0,
    "water_pct": 0.91,
    "water_low_pct": 0.8,
    "water_high_pct": 1.0,
    "limit_pct": 0.5,
}
SPOOL = {"spool": "7KD4QM", "polymer": "PA6"}
PLANNED = {"planned_h": 8.0, "stages": [[60.0, 2.0], [75.0, 6.0]], "over_at": AT}
RUN = Statement("reminder.run_over", PLANNED).as_data()
THERE = {"temperature_c": 22, "rh_pct": 55, "mass_g": 50.0, "printable_h": 3.5, "forecast_h": 168}
ROOM = Statement("reminder.wet_again", THERE).as_data()
WATER = {"dry_mass_g": 50.0, "water_g": 9.1, "limit_g": 10.0}
BOX = {"place": "Dry box", "rh_pct": 19.0, "limit_pct": 20.0}
BOX |= {"why": Statement("reminder.desiccant_water", WATER).as_data()}
SILENT = {"last_at": AT, "interval_h": 1.0, "temperature_c": 22, "rh_pct": 55}
LEAK = {
    "place": "Dry box",
    "measured_rh_pct": 30,
    "computed_rh_pct": 12,
    "agreeing_rh_pct": 20,
    "limit_pct": 25,
}
FLOW = {"material": "PLA with carbon fibre", "flow_mm3_s": 8.0, "since": AT, "limit_pct": 10.0}
FLOW |= {
    "first_loss_pct": 5.0,
    "last_loss_pct": 7.42,
    "limit_at": AT,
    "part": "soft gears",
    "toolhead": "South T0",
}
PART = {"part": "brass 0.4", "site": "North T0", "age": 0.26, "unit": "filled_kg"}
PART |= {"life": 0.17, "life_low": 0.055, "life_high": 0.49, "used_up_pct": 78}
SERVICE = {"service": "belt check", "site": "North", "used": 160.0, "interval": 150.0, "unit": "hours"}
SERVICE |= {
    "counted_since": Statement("service.since_last", {"at": AT}).as_data(),
    "source": "common practice",
}
CONSUMABLE = {"consumable": "grease", "in_stock": 7, "unit": "g", "reorder_point": 8}
CONSUMABLE |= dict.fromkeys(["runs_out_at", "early_at", "late_at"], AT)
PARTS = {"part": "brass 0.4", "in_stock": 1, "reorder_point": 2, "used_up_soon": 1, "delivery_days": 14}
FEEDSTOCK = {"feedstock": "grey PLA", "mass_g": 800, "reorder_point_g": 1000.0, "used_g_per_day": 6.7}
CHECK = {"toolhead": "North T0", "checked_at": AT}
STAGE = {"spool": "7KD4QM", "dryer": "Dryer", "first_h": 2.0, "first_set_point_c": 60.0, "over_at": AT}
HEAT = {"used_pct": 90.0, "dried_h": 90.0, "usual_h": 12.0, "usual_set_point_c": 80.0, "then_pct": 102.0}
LIMIT = "In the room's air (22 °C, 55 % RH), which also fills the dryer once that is off, its outer 50 g"
AGAIN = f"{LIMIT} may be over the print limit again after 3.5 h."
HELD = "The outer 50 g hold 0.91 % (0.8 to 1 %)"
OVER = "8 h (60 °C for 2 h, then 75 °C) were over 1 Mar 2026, 08:05."
LOST = (
    "PLA with carbon fibre at 8 mm³/s: 5.0 % lost at first, 7.4 % at the last check. The control chart signals since "
    "1 Mar 2026. At this pace 10 % about 1 Mar 2026."
)
FINISH = "Finish the run on the drying page and put the spool into dry storage."

EXAMPLES = {
    "reminder.amount": ({"amount": 60.0, "unit": "hot_h"}, "60 hot hours"),
    "reminder.snoozed_until": ({"until": AT}, "until 1 Mar 2026, 08:05"),
    "reminder.snoozed_until_amount": ({"amount": 9.0, "unit": "rh_pct"}, "until 9 % RH"),
    "reminder.note": ({"note": "with a brush"}, "with a brush"),
    "reminder.outer_turns_wet": ({**SPOOL, **OUTER_TURNS}, f"{HELD}; PA6 prints well up to 0.5 %."),
    "reminder.outer_turns_wet.title": ({**SPOOL, **OUTER_TURNS}, "Re-dry 7KD-4QM (PA6)"),
    "reminder.outer_turns_soon_wet": (
        {**SPOOL, **OUTER_TURNS, "toolhead": "North T0", "hours_left": 3.4},
        f"{HELD}; in the air of North T0 possibly more than 0.5 %, up to which PA6 prints well, in about 3.4 h.",
    ),
    "reminder.outer_turns_soon_wet.title": ({**SPOOL, **OUTER_TURNS}, "Re-dry 7KD-4QM (PA6)"),
    "reminder.moisture_undecided": (
        {**SPOOL, **OUTER_TURNS, "weighed_at": AT},
        f"{HELD}, and PA6 prints well up to 0.5 %: the interval is too wide to decide. It was last weighed on "
        "1 Mar 2026.",
    ),
    "reminder.moisture_undecided.title": ({**SPOOL, **OUTER_TURNS}, "Weigh 7KD-4QM (PA6)"),
    "reminder.first_stage_over": (
        STAGE,
        "The first stage of 7KD-4QM, 2 h at 60 °C, was over 1 Mar 2026, 08:05; the plan assumes a higher "
        "temperature from here.",
    ),
    "reminder.first_stage_over.title": ({**STAGE, "set_point_c": 75.0}, "Turn Dryer up to 75 °C"),
    "reminder.run_over": (PLANNED, OVER),
    "reminder.wet_again": (THERE, AGAIN),
    "reminder.stays_printable": (THERE, f"{LIMIT} stay below the print limit for 7 days."),
    "reminder.wet_there": (THERE, f"{LIMIT} may be over the print limit as they are."),
    "reminder.drying_over": ({"run": RUN, "room": ROOM, "spool": "7KD4QM"}, f"{OVER} {AGAIN}"),
    "reminder.drying_over.title": ({"spool": "7KD4QM", "dryer": "Dryer"}, "Take 7KD-4QM out of Dryer"),
    "reminder.run_heat_used_up": (
        {"spool": "7KD4QM", "dryer": "Dryer", "since": AT},
        "By 1 Mar 2026, 08:05 it had received all the heat that a polyamide may get in one run; more turns it yellow and "
        "brittle.",
    ),
    "reminder.run_heat_used_up.title": (
        {"spool": "7KD4QM", "dryer": "Dryer"},
        "Take 7KD-4QM out of Dryer now",
    ),
    "reminder.drying_too_short": (
        {"run": RUN, "room": ROOM, "dry_at": AT},
        f"{OVER} All of it is likely dry enough only from 1 Mar 2026, 08:05. {AGAIN}",
    ),
    "reminder.drying_too_short.title": (
        {"spool": "7KD4QM", "dryer": "Dryer"},
        "7KD-4QM needs longer in Dryer than planned",
    ),
    "reminder.heat_budget_low": (
        HEAT,
        "90 % of the heat that a polyamide may get in its life is used, in 90 h of drying. After one more "
        "usual drying, at least 12 h at 80 °C, it would be 102 %.",
    ),
    "reminder.heat_budget_low.title": (SPOOL, "Little heat is left for drying 7KD-4QM (PA6)"),
    "reminder.desiccant_spent": (
        {**BOX, "measured": False, "hours_left": 72.0},
        "19 % RH in it, computed; the limit is 20 %, which is about 3 days away. The 50 g hold 9.1 of 10 g of water.",
    ),
    "reminder.desiccant_water": (WATER, "The 50 g hold 9.1 of 10 g of water."),
    "reminder.desiccant_spent.title": (BOX, "Regenerate the desiccant of Dry box"),
    "reminder.box_leaks": (
        LEAK,
        "Measured 30 % RH, computed 12 % for the leak that is recorded; a reading up to 20 % would agree. Its "
        "desiccant should have much left. The limit of the box is 25 %.",
    ),
    "reminder.box_leaks.title": (LEAK, "Dry box leaks"),
    "reminder.sensor_silent": (
        SILENT | {"air_origin": "assumed", "is_read": False},
        "Its last reading came on 1 Mar 2026, 08:05; before that one came every 1 h. Its air is assumed meanwhile: "
        "22 °C and 55 % RH.",
    ),
    "reminder.sensor_silent.title": ({"place": "Shelf"}, "The sensor in Shelf is silent"),
    "reminder.sensor_gone": (
        SILENT | {"air_origin": "assumed", "is_read": False, "sensor": "b1"},
        "Its broker reports b1 as gone since 1 Mar 2026, 08:05. Its air is assumed meanwhile: 22 °C and 55 % RH.",
    ),
    "reminder.sensor_gone.title": ({"place": "Shelf"}, "The sensor in Shelf is gone"),
    "reminder.flow_check_before_new_parts": (
        {**CHECK, "roles": ["nozzle", "gears"]},
        "The last one was on 1 Mar 2026, before a change of nozzle and drive gears.",
    ),
    "reminder.flow_check_before_new_parts.title": (CHECK, "Check the flow of North T0"),
    "reminder.flow_check_old": (
        {**CHECK, "limit_days": 60},
        "The last one was on 1 Mar 2026, more than 60 days ago, and it has printed since.",
    ),
    "reminder.flow_check_old.title": (CHECK, "Check the flow of North T0"),
    "reminder.flow_loss_rises": (FLOW, LOST),
    "reminder.flow_loss_rises.title": (FLOW, "Look at the soft gears on South T0: its flow loss rises"),
    "reminder.flow_loss_falls": (FLOW, LOST),
    "reminder.flow_loss_falls.title": (FLOW, "Look at the soft gears on South T0: its flow loss falls"),
    "reminder.part_may_be_used_up": (
        PART,
        "It has done 260 g of fibre-filled filament of an expected 170 (55 to 490): 78 % likely to be used up.",
    ),
    "reminder.part_may_be_used_up.title": (PART, "Replace the brass 0.4 on North T0"),
    "reminder.service_due": (
        SERVICE,
        "160 hours of printing since 1 Mar 2026, 08:05; its interval is 150. Source: common practice.",
    ),
    "reminder.service_due.title": (SERVICE, "Belt check on North"),
    "reminder.parts_low": (
        {**PARTS, "runs_out_at": AT},
        "1 in stock; the reorder point is 2. Of those fitted, 1 will probably be used up within 14 days. At the "
        "present rate of use stock runs out on 1 Mar 2026.",
    ),
    "reminder.parts_low.title": (PARTS, "Reorder brass 0.4"),
    "reminder.feedstock_low": (
        {**FEEDSTOCK, "runs_out_at": AT},
        "800 g on all spools; the reorder point is 1000 g. At 6.7 g a day it lasts until 1 Mar 2026.",
    ),
    "reminder.consumable_low": (
        CONSUMABLE,
        "7 g in stock; the reorder point is 8 g. At the present use it lasts until about 1 Mar 2026 (1 Mar 2026 to 1 "
        "Mar 2026).",
    ),
    "reminder.consumable_low.title": (CONSUMABLE, "Reorder grease"),
    "reminder.feedstock_low.title": (FEEDSTOCK, "Reorder grey PLA"),
    "reminder_remedy.store_dry": (
        {},
        "Put it into dry storage after this print, or dry it; its page has the plan.",
    ),
    "reminder_remedy.weigh": (
        {},
        "Weigh it with its reel: the difference from its last weighing shows how much water it took up.",
    ),
    "reminder_remedy.turn_up": ({}, "Turn it up and mark this as done."),
    "reminder_remedy.finish_drying": ({}, FINISH),
    "reminder_remedy.dry_longer": ({}, f"Leave it in until then. {FINISH}"),
    "reminder_remedy.spare_heat": (
        {},
        "Keep it dry and dry it cooler, or only what a job needs. Bend a piece: where it snaps, use it up for parts "
        "that bear no load.",
    ),
    "reminder_remedy.regenerate": (
        {"set_point_c": 120.0, "hours": 3.0},
        "120 °C for about 3 h; the maker's data come first; then record it on the box's page.",
    ),
    "reminder_remedy.look_for_leak": (
        {},
        "Look at lid, gasket and tube holes, measure the half-time again with the box empty, and correct it on the "
        "box's page.",
    ),
    "reminder_remedy.check_sensor": (
        {},
        "Look at its battery and its network. If the sensor was removed, mark this as done.",
    ),
    "reminder_remedy.check_flow": (
        {},
        "Extrude blobs from the spool that is loaded and weigh them; the page of the flow check lists them.",
    ),
    "reminder_remedy.clean_and_check_flow": (
        {},
        "Look at it and clean it; check the flow again, and replace it if it stays.",
    ),
    "reminder_remedy.replace_part": (
        {"in_stock": 5},
        "Replace it (5 in stock), or take it off and look: a sound one can go on again.",
    ),
    "reminder_remedy.do_service": (
        {},
        "Do it, then record it on the service page of the machine: that ends this reminder.",
    ),
    "reminder_remedy.buy_parts": ({}, "Buy some, and receive them on the stock page."),
    "reminder_remedy.buy_spool": ({}, "Buy a spool, and receive it."),
    "notification.test": ({}, "You asked for it in the notification settings."),
    "notification.test.title": ({}, "A test from Loadworthy"),
    "notification_remedy.none": ({}, "It has arrived; there is nothing to do."),
    "notification.confirm": ({}, "Somebody gave this address for reminders of a print shop."),
    "notification.confirm.title": ({}, "Confirm your e-mail address"),
    "notification_remedy.confirm": (
        {},
        "Open the link within three days. If it was not you, do nothing: nothing else is sent.",
    ),
}


def test_every_code_has_words():
    assert_words(EXAMPLES, "reminder", "reminder_remedy", "notification", "notification_remedy")


@pytest.mark.parametrize(
    ("code", "values", "part"),
    [
        ("run_over", PLANNED | {"stages": [[75.0, 8.0]]}, "8 h (75 °C) were over"),
        (
            "desiccant_spent",
            {**BOX, "measured": True, "hours_left": None}
            | {"why": Statement("dry_box.leak", {"measured_rh_pct": 30, "computed_rh_pct": 12}).as_data()},
            "measured; the limit is 20 %. Measured 30 % RH, computed 12 %",
        ),
        ("parts_low", {**PARTS, "used_up_soon": 0, "runs_out_at": None}, "the reorder point is 2."),
        ("feedstock_low", {**FEEDSTOCK, "runs_out_at": None}, "the reorder point is 1000 g."),
        (
            "service_due",
            {**SERVICE, "counted_since": Statement("service.since_first_job").as_data()},
            "since its first job; none is recorded; its interval",
        ),
        ("flow_loss_rises", {**FLOW, "limit_at": None}, "signals since 1 Mar 2026."),
        (
            "sensor_silent",
            SILENT | {"air_origin": "reading", "is_read": True},
            "every 1 h. Another reading shows: 22 °C",
        ),
    ],
)
def test_sentences_follow_their_values(code, values, part):
    assert part in Statement(f"reminder.{code}", values).sentence


def test_a_part_without_stock_is_to_be_reordered():
    assert "(none in stock, reorder)" in Statement("reminder_remedy.replace_part", {"in_stock": 0}).sentence


@pytest.mark.parametrize("ending", ["short", "why"])
def test_short_words_and_explanations_take_the_values_of_their_reason(ending):
    codes = [code for code in list_codes() if code.startswith("reminder.") and code.endswith(f".{ending}")]
    assert codes
    for code in codes:
        reason = Statement(code.removesuffix(f".{ending}"), EXAMPLES[code.removesuffix(f".{ending}")][0])
        words = reason.short if ending == "short" else explain(reason).sentence
        assert words and words != reason.sentence
    assert Statement("reminder.note", {"note": "as it is"}).short == "as it is"
