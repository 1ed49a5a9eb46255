"""Reminders of any kind: opened, urgent, snoozed, returned, completed, resolved."""

from datetime import UTC, datetime, timedelta
from itertools import groupby, pairwise

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from maintenance.models import Channel, Reminder, ReminderEvent, Subscription
from maintenance.reminders.conditions.conditions import Conditions
from maintenance.reminders.delivery import outbox
from maintenance.reminders.lifecycle import COOLDOWN, complete, snooze
from maintenance.reminders.queries import count_due, open_reminders, snoozed_reminders
from maintenance.reminders.reconcile import Counts, reconcile

pytestmark = pytest.mark.django_db

START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def one(condition: str = "clean:1", amount: float | None = 60, **values) -> Reminder:
    given = {"kind": "clean", "title": "Clean it", "why": "60 of 50 h", "remedy": "Clean it."}
    return Reminder(**given | {"condition": condition, "amount": amount, "amount_unit": "hours"} | values)


def check(*opening: Reminder, holding=(), urgent=(), last_event_at=()) -> Conditions:
    conditions = Conditions(["clean", "reorder"])
    for reminder in opening:
        name = reminder.condition
        conditions.open(reminder, urgent=name in urgent, last_event_at=dict(last_event_at).get(name))
    for reminder in holding:
        conditions.hold(reminder)
    return conditions


def at(hours: float, *wanted: Reminder, **more) -> Counts:
    with time_machine.travel(START + hours * HOUR, tick=False):
        return reconcile([check(*wanted, **more)], START + hours * HOUR)


def events(condition: str = "clean:1") -> list[str]:
    found = ReminderEvent.objects.filter(reminder__condition=condition).order_by("id")
    return list(found.values_list("type", flat=True))


def the(condition: str = "clean:1") -> Reminder:
    return Reminder.objects.get(condition=condition, ended_at=None)


def test_it_is_raised_once_becomes_urgent_once_and_ends_once():
    at(0, one())
    at(1, one(), urgent=["clean:1"])
    at(2, one())
    at(3, one(), urgent=["clean:1"])
    assert the().urgent_since == START + HOUR
    at(4)
    at(5)
    assert events() == ["opened", "urgent", "resolved"]
    assert [event.at for event in ReminderEvent.objects.all()] == [START, START + HOUR, START + 4 * HOUR]
    assert ReminderEvent.objects.first().detail == "60 hours"


def test_one_that_comes_again_is_another_one():
    at(0, one(), urgent=["clean:1"])
    at(1)
    at(2, one())
    assert events() == ["opened", "urgent", "resolved", "opened"]
    assert the().urgent_since is None and Reminder.objects.count() == 2


def test_what_is_kept_stays_open_keeps_up_and_is_not_raised():
    at(0, holding=[one()])
    assert not Reminder.objects.exists()
    at(1, one())
    at(2, holding=[one(amount=40, why="40 of 50 h")])
    assert (the().amount, the().why) == (40, "40 of 50 h")


def test_texts_are_cut_to_what_the_columns_hold():
    at(0, one(title="t" * 500, why="w" * 500, remedy="o" * 500))
    assert [len(text) for text in (the().title, the().why, the().remedy)] == [160, 300, 200]


def snoozed_at(hours: float, **how) -> Reminder:
    with time_machine.travel(START + hours * HOUR, tick=False):
        return snooze(the(), **how)


def is_due(hours: float) -> bool:
    now = START + hours * HOUR
    assert snoozed_reminders(now).exists() is not open_reminders(now).exists()
    return open_reminders(now).exists()


def test_put_off_until_a_time_it_comes_back_by_itself():
    at(0, one())
    snoozed_at(1, until=START + 5 * HOUR)
    at(2, one(), urgent=["clean:1"])
    assert not is_due(4.9) and is_due(5.1)
    assert the().urgent_since is None, "a snoozed reminder never becomes urgent"
    at(6, one(), urgent=["clean:1"])
    assert events() == ["opened", "snoozed", "returned", "urgent"]
    assert the().snoozed_until is None


def test_put_off_until_an_amount_it_comes_back_at_that_amount():
    at(0, one())
    snoozed_at(1, amount=90)
    at(2, one(amount=89.9))
    assert not is_due(2)
    at(3, one(amount=90))
    assert is_due(3) and events() == ["opened", "snoozed", "returned"]
    assert [event.detail for event in ReminderEvent.objects.all()] == [
        "60 hours",
        "until 90 hours",
        "90 hours",
    ]


def test_what_falls_comes_back_when_it_has_fallen_so_far():
    stock = {"kind": "reorder", "amount_falls": True, "amount_unit": "g"}
    at(0, one(amount=500, **stock))
    snoozed_at(0, amount=300)
    at(1, one(amount=301, **stock))
    assert not is_due(1)
    at(2, one(amount=250, **stock))
    assert is_due(2)


def test_the_amount_is_seen_before_the_next_sweep():
    at(0, one())
    snoozed_at(1, amount=90)
    Reminder.objects.update(amount=95)
    assert is_due(1)


def test_an_amount_that_never_comes_lasts_a_year():
    at(0, one())
    snoozed_at(0, amount=90)
    assert not is_due(24 * 365) and is_due(24 * 367)


def test_an_amount_in_another_unit_means_nothing_any_more():
    at(0, one())
    snoozed_at(1, amount=90)
    at(2, one(amount=3, amount_unit="prints"))
    assert is_due(2) and events()[-1] == "returned"


@pytest.mark.parametrize(
    ("values", "how", "field"),
    [
        ({}, {"amount": 60}, "amount"),
        ({}, {"amount": 10}, "amount"),
        ({}, {"amount": float("nan")}, "amount"),
        ({}, {"amount": 1e9}, "amount"),
        ({"amount_falls": True}, {"amount": 61}, "amount"),
        ({"amount_falls": True}, {"amount": -1}, "amount"),
        ({"amount_unit": "% RH"}, {"amount": 101}, "amount"),
        ({"amount": None, "amount_unit": ""}, {"amount": 1}, "amount"),
        ({}, {}, "until"),
        ({}, {"amount": 90, "until": START + 9 * HOUR}, "until"),
        ({}, {"until": START}, "until"),
        ({}, {"until": datetime(2026, 3, 2)}, "until"),
        ({}, {"until": START + timedelta(days=367)}, "until"),
    ],
)
def test_impossible_putting_off_is_refused(values, how, field):
    at(0, one(**values))
    with pytest.raises(ValidationError) as refused:
        snoozed_at(0, **how)
    assert list(refused.value.error_dict) == [field]
    assert the().snoozed_until is None and events() == ["opened"]


def test_done_rests_for_a_day_and_keeps_who_and_why(django_user_model):
    ada = django_user_model.objects.create_user("ada")
    at(0, one())
    with time_machine.travel(START + HOUR, tick=False):
        complete(the(), "with a brush", by=ada)
    at(24, one())
    assert events() == ["opened", "completed"]
    last = ReminderEvent.objects.last()
    assert (last.detail, last.by) == ("with a brush", ada)
    at(25.1, one())
    assert events() == ["opened", "completed", "opened"]


def test_what_done_settles_rests_until_something_new_happens():
    at(0, one(), last_event_at={"clean:1": START})
    with time_machine.travel(START + HOUR, tick=False):
        complete(the())
    at(24 * 90, one(), last_event_at={"clean:1": START})
    assert not Reminder.objects.filter(ended_at=None).exists()
    at(24 * 91, one(), last_event_at={"clean:1": START + 2 * HOUR})
    assert the()


def test_a_sweep_writes_in_as_many_queries_for_many_as_for_few():
    def queries(count: int, hours: float, amount: float, **more) -> int:
        conditions = [one(f"clean:{n}", amount) for n in range(count)]
        with CaptureQueriesContext(connection) as captured:
            at(hours, *conditions, urgent=[condition.condition for condition in conditions], **more)
        return len(captured)

    few, many = 3, 40
    raised = queries(few, 0, 1)
    Reminder.objects.all().delete()
    assert queries(many, 2, 1) == raised
    changed = queries(many, 3, 2)
    Reminder.objects.exclude(condition__in=[f"clean:{n}" for n in range(few)]).delete()
    assert queries(few, 4, 3) == changed
    assert queries(few, 5, 3) < changed, "nothing has changed, nothing is written"


def test_the_outbox_gets_the_events_of_a_sweep_at_once(monkeypatch):
    posted: list[list[str]] = []
    monkeypatch.setattr(outbox, "post", lambda events: posted.append([event.type for event in events]))
    at(0, one(), one("clean:2"), urgent=["clean:2"])
    at(1, one(), one("clean:2"), urgent=["clean:2"])
    snoozed = {"until": START + 9 * HOUR}
    with time_machine.travel(START + HOUR, tick=False):
        snooze(the(), **snoozed)
        complete(the())
    at(2)
    assert posted == [["opened", "opened", "urgent"], ["snoozed"], ["completed"], ["resolved"]]


def test_a_person_chooses_what_counts(django_user_model):
    ada, bob = (django_user_model.objects.create_user(name) for name in ("ada", "bob"))
    at(0, one(), one("reorder:1", kind="reorder"))
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


class Life(RuleBasedStateMachine):
    """Conditions come, change and go, time passes, people snooze and complete; sweeps run in between."""

    conditions = st.sampled_from(["clean:1", "clean:2", "reorder:3"])

    def __init__(self) -> None:
        super().__init__()
        Reminder.objects.all().delete()
        self.now = START
        # Cause: amount, state.
        self.facts: dict[str, tuple[float, str]] = {}

    @rule(
        condition=conditions,
        amount=st.integers(1, 9),
        state=st.sampled_from(["absent", "held", "open", "urgent"]),
    )
    def facts_change(self, condition: str, amount: int, state: str) -> None:
        self.facts[condition] = (amount, state)

    @rule(hours=st.sampled_from([0.1, 1, 10, 23.9, 30]))
    def time_passes(self, hours: float) -> None:
        self.now += hours * HOUR

    @rule()
    def sweep(self) -> None:
        rows = {
            condition: one(
                condition, amount, kind=condition.split(":")[0], amount_falls=condition.startswith("reorder")
            )
            for condition, (amount, _) in self.facts.items()
        }
        state = {condition: state for condition, (_, state) in self.facts.items()}
        wanted = {condition for condition in rows if state[condition] in ("open", "urgent")}
        kept = {condition for condition in rows if state[condition] == "held"}
        urgent = {condition for condition in rows if state[condition] == "urgent"}
        open_before = set(self._open().values_list("condition", flat=True))
        reconcile(
            [check(*(rows[c] for c in wanted), holding=[rows[c] for c in kept], urgent=urgent)], self.now
        )
        open_now = {reminder.condition: reminder for reminder in self._open()}
        lately_done = set(
            Reminder.objects.filter(ending="completed", ended_at__gt=self.now - COOLDOWN).values_list(
                "condition", flat=True
            )
        )
        assert set(open_now) == (wanted - (lately_done - open_before)) | (kept & open_before)
        for reminder in open_now.values():
            assert reminder.amount == self.facts[reminder.condition][0]
            reached = snoozed_reminders(self.now).filter(pk=reminder.pk).exists()
            assert reached == (reminder.snoozed_until is not None), "a returned reminder is not snoozed"
            if reminder.condition in urgent and reminder.snoozed_until is None:
                assert reminder.urgent_since is not None

    def _open(self):
        return Reminder.objects.filter(ended_at=None)

    @precondition(lambda self: self._open().exists())
    @rule(hours=st.sampled_from([1, 20, 50]), pick=st.integers(0, 2))
    def put_off_until_a_time(self, hours: float, pick: int) -> None:
        with time_machine.travel(self.now, tick=False):
            snooze(self._pick(pick), self.now + hours * HOUR)

    @precondition(lambda self: self._open().exists())
    @rule(by=st.integers(1, 4), pick=st.integers(0, 2))
    def put_off_until_an_amount(self, by: int, pick: int) -> None:
        reminder = self._pick(pick)
        amount = reminder.amount - by if reminder.amount_falls else reminder.amount + by
        if amount >= 0:
            with time_machine.travel(self.now, tick=False):
                snooze(reminder, amount=amount)

    @precondition(lambda self: self._open().exists())
    @rule(pick=st.integers(0, 2))
    def somebody_does_it(self, pick: int) -> None:
        with time_machine.travel(self.now, tick=False):
            complete(self._pick(pick))

    def _pick(self, pick: int) -> Reminder:
        found = list(self._open())
        return found[pick % len(found)]

    @invariant()
    def events_tell_the_state(self) -> None:
        by_cause = groupby(
            Reminder.objects.order_by("condition", "pk"), key=lambda reminder: reminder.condition
        )
        for _, group in by_cause:
            found = list(group)
            assert sum(reminder.ended_at is None for reminder in found) <= 1
            for reminder in found:
                self._agrees(reminder)

    def _agrees(self, reminder: Reminder) -> None:
        told = [event.type for event in reminder.events.order_by("id")]
        assert told[0] == "opened" and told.count("opened") == 1
        assert told.count("urgent") == (reminder.urgent_since is not None) <= 1
        endings = [what for what in told if what in ("completed", "resolved")]
        assert endings == ([reminder.ending] if reminder.ended_at else [])
        assert not endings or told[-1] == reminder.ending
        waits: list[str] = []
        for what in told:
            assert not (what == "urgent" and waits[-1:] == ["snoozed"]), (
                "a snoozed reminder never becomes urgent"
            )
            waits += [what] if what in ("snoozed", "returned") else []
        assert (waits[-1:] == ["snoozed"]) == (reminder.snoozed_until is not None)
        assert all(a != "returned" or b != "returned" for a, b in pairwise(waits))
        assert all(event.at <= self.now for event in reminder.events.all())


def test_whatever_happens_one_is_open_and_its_events_tell_how_it_stands():
    few = settings(max_examples=25, stateful_step_count=25, suppress_health_check=list(HealthCheck))
    run_state_machine_as_test(Life, settings=few)
