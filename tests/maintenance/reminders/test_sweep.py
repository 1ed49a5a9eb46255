"""Sweeps of the whole shop."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from background.running import run_due
from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool
from maintenance.models import Reminder
from maintenance.reminders.lifecycle import complete, snooze
from maintenance.reminders.queries import count_due
from maintenance.reminders.reconcile import Counts
from maintenance.reminders.sweep import sweep
from spools.board import board
from spools.facts import withdraw
from spools.models import MassEntry
from tests.maintenance.conftest import PRINT
from tests.maintenance.reminders.shop_reminders import (
    at_once,
    dry_condition,
    open_conditions,
    reminder_of,
)
from tests.maintenance.reminders.texts import texts
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive


def test_open_reminders_follow_the_amounts(shop, wet):
    sweep()
    reminder = reminder_of("dry")
    reason = reminder.reason
    Reminder.objects.update(**texts())
    sweep()
    reminder.refresh_from_db()
    assert reminder.reason == reason


def test_a_snoozed_reminder_is_not_due_until_then(shop, wet):
    sweep()
    reminder = reminder_of("dry")
    assert count_due() == 1
    until = timezone.now() + timedelta(hours=5)
    snooze(reminder, until)
    assert count_due() == 0
    assert count_due(now=until + timedelta(minutes=1)) == 1
    assert sweep() == Counts(0, 0)


@pytest.mark.parametrize("hours", [-1, 0, 24 * 400])
def test_a_snooze_into_the_past_or_for_years_is_refused(shop, wet, hours):
    sweep()
    with refuses("not_in_a_year", "until"):
        snooze(reminder_of("dry"), timezone.now() + timedelta(hours=hours))
    assert reminder_of("dry").snoozed_until is None


def test_a_completed_reminder_opens_again_after_a_day(shop, wet):
    sweep()
    ended = complete(reminder_of("dry"), "in a friend's dryer", by=shop.user)
    assert (ended.ending, ended.note, ended.ended_by) == ("completed", "in a friend's dryer", shop.user)
    assert sweep(timezone.now() + timedelta(hours=23)).opened == 0
    assert sweep(timezone.now() + timedelta(hours=25)).opened == 1
    with refuses("ended_already"):
        complete(ended)
    with refuses("ended_already"):
        snooze(ended, timezone.now() + timedelta(hours=1))


def test_the_number_of_queries_does_not_grow_with_the_spools(shop, wet):
    sweep()
    with CaptureQueriesContext(connection) as few:
        sweep()
    for _ in range(6):
        receive(shop.pla, shop.box, card="dry")
    board.catch_up(timezone.now())
    with CaptureQueriesContext(connection) as many:
        sweep()
    assert len(many) == len(few)


def test_the_schedule_sweeps(shop, wet):
    run_due()
    assert open_conditions() == {dry_condition(wet)}


def test_the_database_allows_one_open_reminder_per_condition(shop, wet):
    values = {"kind": "dry", "condition": dry_condition(wet), **texts()}
    Reminder.objects.create(**values, opened_at=timezone.now())
    with pytest.raises(IntegrityError), transaction.atomic():
        Reminder.objects.create(**values, opened_at=timezone.now())


@pytest.mark.django_db(transaction=True)
def test_concurrent_sweeps_open_each_reminder_once(shop, wet):
    assert at_once(sweep, 4) == []
    assert Reminder.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_of_two_that_withdraw_a_job_at_the_same_time_one_gives_the_grams_back(shop, plain):
    load_spool(shop.north, plain, at=hours_ago(20), override_reason="a test")
    job = record_job(toolhead=shop.north, spool=plain, start=hours_ago(12), override_reason="a test", **PRINT)
    raised = at_once(lambda: withdraw(job, reason="a mistake"), 2)
    assert [type(error) for error in raised] == [ValidationError]
    assert MassEntry.objects.exclude(withdrawn_at=None).count() == 1
