"""Reminders of any kind follow their conditions: opened, urgent, returned, resolved."""

from itertools import groupby, pairwise

import pytest
import time_machine
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

from maintenance.models import Reminder, ReminderEvent
from maintenance.reminders.delivery import outbox
from maintenance.reminders.lifecycle import COOLDOWN, complete, snooze
from maintenance.reminders.queries import snoozed_reminders
from maintenance.reminders.reconcile import reconcile
from tests.maintenance.reminders.texts import texts
from tests.maintenance.reminders.timeline import (
    HOUR,
    KINDS,
    START,
    conditions,
    event_types,
    make,
    open_reminder,
    reconcile_at,
    snoozed_at,
)

pytestmark = pytest.mark.django_db


def test_a_reminder_opens_becomes_urgent_and_is_resolved_once():
    reconcile_at(0, make())
    reconcile_at(1, make(), urgent=["clean:1"])
    reconcile_at(2, make())
    reconcile_at(3, make(), urgent=["clean:1"])
    assert open_reminder().urgent_since == START + HOUR
    reconcile_at(4)
    reconcile_at(5)
    assert event_types() == ["opened", "urgent", "resolved"]
    assert [event.at for event in ReminderEvent.objects.all()] == [START, START + HOUR, START + 4 * HOUR]
    assert ReminderEvent.objects.first().detail.values == {"amount": 60, "unit": "hours"}


def test_a_condition_that_returns_opens_another_reminder():
    reconcile_at(0, make(), urgent=["clean:1"])
    reconcile_at(1)
    reconcile_at(2, make())
    assert event_types() == ["opened", "urgent", "resolved", "opened"]
    assert open_reminder().urgent_since is None and Reminder.objects.count() == 2


def test_a_held_condition_is_updated_but_never_opened():
    reconcile_at(0, holding=[make()])
    assert not Reminder.objects.exists()
    reconcile_at(1, make())
    reconcile_at(2, holding=[make(amount=40, **texts(why="40 of 50 h"))])
    assert (open_reminder().amount, open_reminder().reason.sentence) == (40, "40 of 50 h")


def test_texts_may_be_long():
    reconcile_at(0, make(**texts("t" * 500, "w" * 5000)))
    assert open_reminder().title == "t" * 500 and open_reminder().reason.sentence == "w" * 5000


def test_an_amount_is_stored_with_three_digits():
    for amount, stored in ((1234.5, 1230), (0.98765, 0.988)):
        reconcile_at(0, make(amount=amount))
        assert open_reminder().amount == stored


def test_a_snooze_ends_in_the_sweep_of_its_time():
    reconcile_at(0, make())
    snoozed_at(0, until=START + 5 * HOUR)
    reconcile_at(4.99, make())
    assert event_types()[-1] == "snoozed"
    reconcile_at(5, make())
    assert event_types()[-1] == "returned"


@pytest.mark.parametrize(("falls", "waiting", "reached"), [(True, 31, [30, 29]), (False, 89, [90, 91])])
def test_a_snooze_ends_in_the_sweep_of_its_amount(falls, waiting, reached):
    for amount in reached:
        Reminder.objects.all().delete()
        reconcile_at(0, make(amount=60, amount_falls=falls))
        snoozed_at(0, amount=reached[0])
        reconcile_at(1, make(amount=waiting, amount_falls=falls))
        assert event_types()[-1] == "snoozed"
        reconcile_at(2, make(amount=amount, amount_falls=falls))
        assert event_types()[-1] == "returned"


@pytest.mark.parametrize("now", [{"amount": None}, {"amount_unit": "days"}, {"amount_unit": "prints"}])
def test_a_snooze_until_an_amount_ends_when_the_amount_is_another_or_none(now):
    reconcile_at(0, make())
    snoozed_at(0, amount=90)
    reconcile_at(1, make(**now))
    assert event_types()[-1] == "returned"
    snoozed_at(1, until=START + 9 * HOUR)
    reconcile_at(2, make())
    assert event_types()[-1] == "snoozed", "a snooze until a time does not depend on the unit"


def test_one_that_cools_down_does_not_keep_the_next_from_opening():
    reconcile_at(0, make("clean:1"))
    with time_machine.travel(START, tick=False):
        complete(open_reminder("clean:1"))
    assert reconcile_at(1, make("clean:1"), make("clean:2")).opened == 1
    assert open_reminder("clean:2")


def test_the_number_of_queries_does_not_grow_with_the_reminders():
    def queries(count: int, hours: float, amount: float, **more) -> int:
        conditions = [make(f"clean:{n}", amount) for n in range(count)]
        with CaptureQueriesContext(connection) as captured:
            reconcile_at(hours, *conditions, urgent=[condition.condition for condition in conditions], **more)
        return len(captured)

    few, many = 3, 40
    raised = queries(few, 0, 1)
    Reminder.objects.all().delete()
    assert queries(many, 2, 1) == raised
    changed = queries(many, 3, 2)
    Reminder.objects.exclude(condition__in=[f"clean:{n}" for n in range(few)]).delete()
    assert queries(few, 4, 3) == changed
    assert queries(few, 5, 3) < changed, "nothing has changed, nothing is written"


def test_the_outbox_gets_all_events_of_a_sweep_in_one_call(monkeypatch):
    posted: list[list[str]] = []
    monkeypatch.setattr(outbox, "post", lambda events: posted.append([event.type for event in events]))
    reconcile_at(0, make(), make("clean:2"), urgent=["clean:2"])
    reconcile_at(1, make(), make("clean:2"), urgent=["clean:2"])
    snoozed = {"until": START + 9 * HOUR}
    with time_machine.travel(START + HOUR, tick=False):
        snooze(open_reminder(), **snoozed)
        complete(open_reminder())
    reconcile_at(2)
    assert posted == [["opened", "opened", "urgent"], ["snoozed"], ["completed"], ["resolved"]]


class ReminderLife(RuleBasedStateMachine):
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
            condition: make(
                condition, amount, kind=condition.split(":")[0], amount_falls=condition.startswith("reorder")
            )
            for condition, (amount, _) in self.facts.items()
        }
        state = {condition: state for condition, (_, state) in self.facts.items()}
        wanted = {condition for condition in rows if state[condition] in ("open", "urgent")}
        kept = {condition for condition in rows if state[condition] == "held"}
        urgent = {condition for condition in rows if state[condition] == "urgent"}
        open_before = set(self._open().values_list("condition", flat=True))
        present = conditions(*(rows[c] for c in wanted), holding=[rows[c] for c in kept], urgent=urgent)
        reconcile(KINDS, present, self.now)
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


def test_one_reminder_is_open_per_condition_and_its_events_match_its_state():
    few = settings(max_examples=25, stateful_step_count=25, suppress_health_check=list(HealthCheck))
    run_state_machine_as_test(ReminderLife, settings=few)
