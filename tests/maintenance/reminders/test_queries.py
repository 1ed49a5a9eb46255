"""Reminders that are due, and how many count for a person."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from maintenance.models import Channel, Reminder, Subscription
from maintenance.reminders.queries import count_due, open_reminders
from tests.maintenance.reminders.timeline import HOUR, START, is_due, make, reconcile_at, snoozed_at

pytestmark = pytest.mark.django_db


def test_a_reached_amount_ends_a_snooze_before_the_next_sweep():
    reconcile_at(0, make())
    snoozed_at(1, amount=90)
    Reminder.objects.update(amount=95)
    assert is_due(1)


def test_a_snooze_until_an_amount_lasts_a_year_at_most():
    reconcile_at(0, make())
    snoozed_at(0, amount=90)
    assert not is_due(24 * 365) and is_due(24 * 367)


def test_a_person_chooses_the_kinds_that_count(django_user_model):
    ada, bob = (django_user_model.objects.create_user(name) for name in ("ada", "bob"))
    reconcile_at(0, make(), make("reorder:1", kind="reorder"))
    with CaptureQueriesContext(connection) as queries:
        assert count_due(ada) == 2
    assert len(queries) == 1 and count_due() == 2
    page = Channel.objects.create(user=ada, kind="page")
    assert count_due(ada) == 0
    Subscription.objects.create(channel=page, reminder_kind="reorder")
    assert (count_due(ada), count_due(bob)) == (1, 2)
    now = START + HOUR
    assert [(r.kind, r.counts) for r in open_reminders(now, ada)] == [("reorder", True), ("clean", False)]
    page.ended_at = now
    page.save()
    assert count_due(ada) == 2
