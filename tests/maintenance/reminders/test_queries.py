"""Reminders that are due, and how many count for a person."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from maintenance.models import Channel, Reminder, Subscription
from maintenance.reminders.groups import KINDS, Group
from maintenance.reminders.queries import count_due, open_reminders
from spools.drying.runs import DryingSettings, start_drying
from spools.inventory.ledger import weigh
from tests.maintenance.reminders.timeline import HOUR, START, is_due, make, reconcile_at, snoozed_at
from tests.spools.conftest import hours_ago

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
    ada, bob = (django_user_model.objects.create_user(name, role="set_up") for name in ("ada", "bob"))
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


def test_a_snooze_until_an_amount_ends_at_that_very_amount():
    for falls, waiting, reached in ((False, 89, [90, 91]), (True, 91, [90, 89])):
        Reminder.objects.all().delete()
        reconcile_at(0, make(amount=100 if falls else 80, amount_falls=falls))
        snoozed_at(1, amount=90)
        for amount, due in [(waiting, False), *((amount, True) for amount in reached)]:
            Reminder.objects.update(amount=amount)
            assert is_due(1) is due, (falls, amount)


def test_a_snoozed_reminder_is_due_from_its_time_on():
    reconcile_at(0, make())
    snoozed_at(1, until=START + 5 * HOUR)
    for hours, due in ((4.99, False), (5, True), (5.01, True)):
        assert is_due(hours) is due


def test_due_reminders_are_sorted_by_urgency_then_the_newest_first():
    reconcile_at(0, make("clean:1"))
    reconcile_at(1, make("clean:1"), make("clean:2"), make("clean:3"), make("clean:4"))
    reconcile_at(2, *(make(f"clean:{n}") for n in (1, 2, 3, 4)), urgent=["clean:3"])
    reconcile_at(3, *(make(f"clean:{n}") for n in (1, 2, 3, 4)), urgent=["clean:3", "clean:2"])
    order = [reminder.condition for reminder in open_reminders(START + 4 * HOUR)]
    assert order == ["clean:2", "clean:3", "clean:4", "clean:1"]


DRYING = {Reminder.Kind.DRYER_UP, Reminder.Kind.DRYING_DONE}
NOT_DRYING = {Reminder.Kind.DRY, Reminder.Kind.WEIGH}


@pytest.mark.parametrize("kind", Reminder.Kind)
def test_a_condition_that_plainly_ended_is_left_out_before_the_next_sweep(kind, shop, plain):
    make("one", kind=kind, spool=plain, opened_at=hours_ago(5)).save()

    def due() -> bool:
        return open_reminders().exists()

    assert due() is (kind not in DRYING)
    (run,) = start_drying([plain], shop.dryer, DryingSettings(45), at=hours_ago(4))
    assert due() is (kind not in NOT_DRYING)
    run.end = hours_ago(1)
    run.save()
    assert due() is (kind not in DRYING)
    entry = weigh(plain, 1100)
    assert due() is (kind not in DRYING | {Reminder.Kind.WEIGH})
    Reminder.objects.update(opened_at=entry.recorded_at)
    assert due() is (kind not in DRYING)


def test_nothing_counts_for_nobody_in_particular_but_all():
    reconcile_at(0, make())
    assert [reminder.counts for reminder in open_reminders(START)] == [True]
    assert open_reminders().count() == 1


def test_each_kind_of_reminder_is_in_one_group():
    grouped = [kind for kinds in KINDS.values() for kind in kinds]
    assert sorted(grouped) == sorted(Reminder.Kind.values) and list(KINDS) == Group.values
