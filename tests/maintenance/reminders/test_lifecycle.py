"""Reminders of any kind are snoozed and completed."""

from datetime import datetime, timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError

from maintenance.models import Reminder, ReminderEvent
from maintenance.reminders.lifecycle import COOLDOWN, complete, snooze
from spools.statements import Statement
from tests.maintenance.reminders.timeline import (
    HOUR,
    START,
    event_types,
    is_due,
    make,
    open_reminder,
    reconcile_at,
    snoozed_at,
)
from tests.refusals import refuses

pytestmark = pytest.mark.django_db


def test_a_snooze_until_a_time_ends_by_itself():
    reconcile_at(0, make())
    snoozed_at(1, until=START + 5 * HOUR)
    reconcile_at(2, make(), urgent=["clean:1"])
    assert not is_due(4.9) and is_due(5.1)
    assert open_reminder().urgent_since is None, "a snoozed reminder never becomes urgent"
    reconcile_at(6, make(), urgent=["clean:1"])
    assert event_types() == ["opened", "snoozed", "returned", "urgent"]
    assert open_reminder().snoozed_until is None


def test_a_snooze_until_an_amount_ends_at_that_amount():
    reconcile_at(0, make())
    snoozed_at(1, amount=90)
    reconcile_at(2, make(amount=89.9))
    assert not is_due(2)
    reconcile_at(3, make(amount=90))
    assert is_due(3) and event_types() == ["opened", "snoozed", "returned"]
    assert [event.detail for event in ReminderEvent.objects.all()] == [
        Statement(code, {"amount": amount, "unit": "hours"})
        for code, amount in (
            ("reminder.amount", 60),
            ("reminder.snoozed_until_amount", 90),
            ("reminder.amount", 90),
        )
    ]


def test_a_snooze_of_a_falling_amount_ends_below_it():
    stock = {"kind": "reorder", "amount_falls": True, "amount_unit": "g"}
    reconcile_at(0, make(amount=500, **stock))
    snoozed_at(0, amount=300)
    reconcile_at(1, make(amount=301, **stock))
    assert not is_due(1)
    reconcile_at(2, make(amount=250, **stock))
    assert is_due(2)


def test_a_snooze_ends_when_the_unit_of_the_amount_changes():
    reconcile_at(0, make())
    snoozed_at(1, amount=90)
    reconcile_at(2, make(amount=3, amount_unit="prints"))
    assert is_due(2) and event_types()[-1] == "returned"


@pytest.mark.parametrize(
    ("values", "how", "field"),
    [
        ({}, {"amount": 60}, "amount"),
        ({}, {"amount": 10}, "amount"),
        ({}, {"amount": float("nan")}, "amount"),
        ({}, {"amount": 1e9}, "amount"),
        ({"amount_falls": True}, {"amount": 61}, "amount"),
        ({"amount_falls": True}, {"amount": -1}, "amount"),
        ({"amount_unit": "rh_pct"}, {"amount": 101}, "amount"),
        ({"amount": None, "amount_unit": ""}, {"amount": 1}, "amount"),
        ({}, {}, "until"),
        ({}, {"amount": 90, "until": START + 9 * HOUR}, "until"),
        ({}, {"until": START}, "until"),
        ({}, {"until": datetime(2026, 3, 2)}, "until"),
        ({}, {"until": START + timedelta(days=367)}, "until"),
    ],
)
def test_an_impossible_snooze_is_refused(values, how, field):
    reconcile_at(0, make(**values))
    with pytest.raises(ValidationError) as refused:
        snoozed_at(0, **how)
    assert list(refused.value.error_dict) == [field]
    assert open_reminder().snoozed_until is None and event_types() == ["opened"]


def test_a_completed_condition_cools_down_for_a_day(django_user_model):
    ada = django_user_model.objects.create_user("ada", role="set_up")
    reconcile_at(0, make())
    with time_machine.travel(START + HOUR, tick=False):
        complete(open_reminder(), "with a brush", by=ada)
    reconcile_at(24, make())
    assert event_types() == ["opened", "completed"]
    last = ReminderEvent.objects.last()
    assert (last.detail, last.by) == (Statement("reminder.note", {"note": "with a brush"}), ada)
    reconcile_at(25.1, make())
    assert event_types() == ["opened", "completed", "opened"]


def test_a_condition_that_is_completed_once_per_event_stays_closed_until_the_next():
    reconcile_at(0, make(), last_event_at={"clean:1": START})
    with time_machine.travel(START + HOUR, tick=False):
        complete(open_reminder())
    reconcile_at(24 * 90, make(), last_event_at={"clean:1": START})
    assert not Reminder.objects.filter(ended_at=None).exists()
    reconcile_at(24 * 91, make(), last_event_at={"clean:1": START + 2 * HOUR})
    assert open_reminder()


def test_a_snooze_lasts_a_year_at_most_and_ends_in_the_future():
    for until, allowed in (
        (START, False),
        (START + timedelta(seconds=1), True),
        (START + timedelta(days=366), True),
        (START + timedelta(days=366, seconds=1), False),
    ):
        Reminder.objects.all().delete()
        reconcile_at(0, make())
        if allowed:
            snoozed_at(0, until=until)
        else:
            with refuses("not_in_a_year"):
                snoozed_at(0, until=until)
        assert open_reminder().snoozed_until == (until if allowed else None)


@pytest.mark.parametrize("last_event_at", [{}, {"clean:1": START + HOUR}])
def test_a_reminder_opens_again_exactly_one_cooldown_after_it_was_completed(last_event_at):
    reconcile_at(0, make())
    with time_machine.travel(START, tick=False):
        complete(open_reminder())
    reconcile_at(COOLDOWN / HOUR - 0.01, make(), last_event_at=last_event_at)
    assert event_types() == ["opened", "completed"]
    reconcile_at(COOLDOWN / HOUR, make(), last_event_at=last_event_at)
    assert event_types() == ["opened", "completed", "opened"]


def test_an_event_at_the_time_of_the_completion_is_settled_by_it():
    reconcile_at(0, make(), last_event_at={"clean:1": START})
    with time_machine.travel(START + HOUR, tick=False):
        complete(open_reminder())
    reconcile_at(50, make(), last_event_at={"clean:1": START + HOUR})
    assert event_types() == ["opened", "completed"]
    reconcile_at(51, make(), last_event_at={"clean:1": START + HOUR + timedelta(seconds=1)})
    assert event_types() == ["opened", "completed", "opened"]


def test_an_ended_reminder_is_neither_snoozed_nor_completed():
    reconcile_at(0, make())
    ended = open_reminder()
    reconcile_at(1)
    for act in (lambda: snooze(ended, amount=90), lambda: complete(ended)):
        with refuses("ended_already"):
            act()


@pytest.mark.parametrize(("falls", "code"), [(True, "fallen_already"), (False, "reached_already")])
def test_a_refused_amount_says_on_which_side_of_the_present_one_it_must_lie(falls, code):
    reconcile_at(0, make(amount_falls=falls))
    with refuses(code, "amount", names=["60"]):
        snoozed_at(0, amount=60)


def test_an_amount_may_be_as_small_or_large_as_its_unit_allows():
    for values, amount in (
        ({"amount": 1, "amount_falls": True}, 0),
        ({"amount": 60, "amount_unit": "rh_pct"}, 100),
        ({"amount": 60, "amount_unit": "g"}, 1_000_000),
        ({"amount": 60, "amount_unit": "in_stock"}, 1_000_000),
    ):
        Reminder.objects.all().delete()
        reconcile_at(0, make(**values))
        with refuses("out_of_range"):
            snoozed_at(0, amount=-0.1 if amount == 0 else 1_000_001)
        assert snoozed_at(0, amount=amount).snoozed_until_amount == amount


def test_a_falling_amount_is_snoozed_until_less_than_it_is():
    reconcile_at(0, make(amount_falls=True))
    with refuses("fallen_already"):
        snoozed_at(0, amount=60)
    assert snoozed_at(0, amount=59.9).snoozed_until_amount == 59.9


def test_the_details_of_events_are_the_end_of_the_snooze_and_the_amount():
    reconcile_at(0, make(amount=None, amount_unit=""))
    until = START + 5 * HOUR
    snoozed_at(1, until=until)
    details = [event.detail for event in ReminderEvent.objects.all()]
    assert details == [None, Statement("reminder.snoozed_until", {"until": until.isoformat()})]
