"""The life of reminders, whatever they are about: raised, pressing, put off, back, done, gone."""

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
from maintenance.reminders import lifecycle
from maintenance.reminders.conditions.conditions import Found
from maintenance.reminders.delivery import outbox
from maintenance.reminders.lifecycle import PEACE, done, due_count, open_reminders, put_off, settle, snooze

pytestmark = pytest.mark.django_db

START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
STATES = ["absent", "kept", "wanted", "pressing"]


def one(cause: str = "clean:1", amount: float | None = 60, **values) -> Reminder:
    given = {"kind": "clean", "title": "Clean it", "why": "60 of 50 h", "remedy": "Clean it."}
    return Reminder(**given | {"cause": cause, "amount": amount, "amount_unit": "hours"} | values)


def look(*wanted: Reminder, kept=(), pressing=(), since=()) -> Found:
    found = Found(["clean", "reorder"])
    for reminder in wanted:
        found.want(reminder, pressing=reminder.cause in pressing, since=dict(since).get(reminder.cause))
    for reminder in kept:
        found.keep(reminder)
    return found


def at(hours: float, *wanted: Reminder, **more) -> lifecycle.Counts:
    with time_machine.travel(START + hours * HOUR, tick=False):
        return settle([look(*wanted, **more)], START + hours * HOUR)


def events(cause: str = "clean:1") -> list[str]:
    found = ReminderEvent.objects.filter(reminder__cause=cause).order_by("id")
    return list(found.values_list("what", flat=True))


def the(cause: str = "clean:1") -> Reminder:
    return Reminder.objects.get(cause=cause, ended_at=None)


def test_it_is_raised_once_presses_once_and_ends_once():
    at(0, one())
    at(1, one(), pressing=["clean:1"])
    at(2, one())
    at(3, one(), pressing=["clean:1"])
    assert the().escalated_at == START + HOUR
    at(4)
    at(5)
    assert events() == ["raised", "escalated", "gone"]
    assert [event.at for event in ReminderEvent.objects.all()] == [START, START + HOUR, START + 4 * HOUR]
    assert ReminderEvent.objects.first().said == "60 hours"


def test_one_that_comes_again_is_another_one():
    at(0, one(), pressing=["clean:1"])
    at(1)
    at(2, one())
    assert events() == ["raised", "escalated", "gone", "raised"]
    assert the().escalated_at is None and Reminder.objects.count() == 2


def test_what_is_kept_stays_open_keeps_up_and_is_not_raised():
    at(0, kept=[one()])
    assert not Reminder.objects.exists()
    at(1, one())
    at(2, kept=[one(amount=40, why="40 of 50 h")])
    assert (the().amount, the().why) == (40, "40 of 50 h")


def test_texts_are_cut_to_what_the_columns_hold():
    at(0, one(title="t" * 500, why="w" * 500, remedy="o" * 500))
    assert [len(text) for text in (the().title, the().why, the().remedy)] == [160, 300, 200]


def snoozed_at(hours: float, **how) -> Reminder:
    with time_machine.travel(START + hours * HOUR, tick=False):
        return snooze(the(), **how)


def is_due(hours: float) -> bool:
    now = START + hours * HOUR
    assert put_off(now).exists() is not open_reminders(now).exists()
    return open_reminders(now).exists()


def test_put_off_until_a_time_it_comes_back_by_itself():
    at(0, one())
    snoozed_at(1, until=START + 5 * HOUR)
    at(2, one(), pressing=["clean:1"])
    assert not is_due(4.9) and is_due(5.1)
    assert the().escalated_at is None, "what is put off does not press"
    at(6, one(), pressing=["clean:1"])
    assert events() == ["raised", "snoozed", "back", "escalated"]
    assert the().snoozed_until is None


def test_put_off_until_an_amount_it_comes_back_at_that_amount():
    at(0, one())
    snoozed_at(1, amount=90)
    at(2, one(amount=89.9))
    assert not is_due(2)
    at(3, one(amount=90))
    assert is_due(3) and events() == ["raised", "snoozed", "back"]
    assert [event.said for event in ReminderEvent.objects.all()] == ["60 hours", "until 90 hours", "90 hours"]


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
    assert is_due(2) and events()[-1] == "back"


@pytest.mark.parametrize(
    ("values", "how", "message"),
    [
        ({}, {"amount": 60}, "It is 60 hours already. Give more"),
        ({}, {"amount": 10}, "It is 60 hours already. Give more"),
        ({}, {"amount": float("nan")}, "Give a number"),
        ({}, {"amount": 1e9}, "Give a number"),
        ({"amount_falls": True}, {"amount": 61}, "It is 60 hours already. Give less"),
        ({"amount_falls": True}, {"amount": -1}, "Give a number"),
        ({"amount_unit": "% RH"}, {"amount": 101}, "between 0 and 100"),
        ({"amount": None, "amount_unit": ""}, {"amount": 1}, "told by no number"),
        ({}, {}, "a time or an amount"),
        ({}, {"amount": 90, "until": START + 9 * HOUR}, "a time or an amount"),
        ({}, {"until": START}, "a time to come"),
        ({}, {"until": datetime(2026, 3, 2)}, "a time to come"),
        ({}, {"until": START + timedelta(days=367)}, "a time to come"),
    ],
)
def test_impossible_putting_off_is_refused(values, how, message):
    at(0, one(**values))
    with pytest.raises(ValidationError, match=message):
        snoozed_at(0, **how)
    assert the().snoozed_until is None and events() == ["raised"]


def test_done_rests_for_a_day_and_keeps_who_and_why(django_user_model):
    ada = django_user_model.objects.create_user("ada")
    at(0, one())
    with time_machine.travel(START + HOUR, tick=False):
        done(the(), "with a brush", by=ada)
    at(24, one())
    assert events() == ["raised", "done"]
    last = ReminderEvent.objects.last()
    assert (last.said, last.by) == ("with a brush", ada)
    at(25.1, one())
    assert events() == ["raised", "done", "raised"]


def test_what_done_settles_rests_until_something_new_happens():
    at(0, one(), since={"clean:1": START})
    with time_machine.travel(START + HOUR, tick=False):
        done(the())
    at(24 * 90, one(), since={"clean:1": START})
    assert not Reminder.objects.filter(ended_at=None).exists()
    at(24 * 91, one(), since={"clean:1": START + 2 * HOUR})
    assert the()


def test_a_sweep_writes_in_as_many_queries_for_many_as_for_few():
    def queries(count: int, hours: float, amount: float, **more) -> int:
        causes = [one(f"clean:{n}", amount) for n in range(count)]
        with CaptureQueriesContext(connection) as captured:
            at(hours, *causes, pressing=[cause.cause for cause in causes], **more)
        return len(captured)

    few, many = 3, 40
    raised = queries(few, 0, 1)
    Reminder.objects.all().delete()
    assert queries(many, 2, 1) == raised
    changed = queries(many, 3, 2)
    Reminder.objects.exclude(cause__in=[f"clean:{n}" for n in range(few)]).delete()
    assert queries(few, 4, 3) == changed
    assert queries(few, 5, 3) < changed, "nothing has changed, nothing is written"


def test_the_outbox_gets_the_events_of_a_sweep_at_once(monkeypatch):
    posted: list[list[str]] = []
    monkeypatch.setattr(outbox, "post", lambda events: posted.append([event.what for event in events]))
    at(0, one(), one("clean:2"), pressing=["clean:2"])
    at(1, one(), one("clean:2"), pressing=["clean:2"])
    snoozed = {"until": START + 9 * HOUR}
    with time_machine.travel(START + HOUR, tick=False):
        snooze(the(), **snoozed)
        done(the())
    at(2)
    assert posted == [["raised", "raised", "escalated"], ["snoozed"], ["done"], ["gone"]]


def test_a_person_chooses_what_counts(django_user_model):
    ada, bob = (django_user_model.objects.create_user(name) for name in ("ada", "bob"))
    at(0, one(), one("reorder:1", kind="reorder"))
    with CaptureQueriesContext(connection) as queries:
        assert due_count(ada) == 2
    assert len(queries) == 1 and due_count() == 2
    page = Channel.objects.create(user=ada, kind="page")
    assert due_count(ada) == 0
    Subscription.objects.create(channel=page, reminder_kind="reorder")
    assert (due_count(ada), due_count(bob)) == (1, 2)
    now = START + HOUR
    assert [(r.kind, r.counts) for r in open_reminders(now, ada)] == [("reorder", True), ("clean", False)]
    page.ended_at = now
    page.save()
    assert due_count(ada) == 2


class Life(RuleBasedStateMachine):
    """Causes come, change and go, time passes, people put off and do; sweeps look in between."""

    causes = st.sampled_from(["clean:1", "clean:2", "reorder:3"])

    def __init__(self) -> None:
        super().__init__()
        Reminder.objects.all().delete()
        self.now = START
        # Cause: amount, state.
        self.facts: dict[str, tuple[float, str]] = {}

    @rule(
        cause=causes,
        amount=st.integers(1, 9),
        state=st.sampled_from(["absent", "kept", "wanted", "pressing"]),
    )
    def facts_change(self, cause: str, amount: int, state: str) -> None:
        self.facts[cause] = (amount, state)

    @rule(hours=st.sampled_from([0.1, 1, 10, 23.9, 30]))
    def time_passes(self, hours: float) -> None:
        self.now += hours * HOUR

    @rule()
    def sweep(self) -> None:
        rows = {
            cause: one(cause, amount, kind=cause.split(":")[0], amount_falls=cause.startswith("reorder"))
            for cause, (amount, _) in self.facts.items()
        }
        state = {cause: state for cause, (_, state) in self.facts.items()}
        wanted = {cause for cause in rows if state[cause] in ("wanted", "pressing")}
        kept = {cause for cause in rows if state[cause] == "kept"}
        pressing = {cause for cause in rows if state[cause] == "pressing"}
        open_before = set(self._open().values_list("cause", flat=True))
        settle([look(*(rows[c] for c in wanted), kept=[rows[c] for c in kept], pressing=pressing)], self.now)
        open_now = {reminder.cause: reminder for reminder in self._open()}
        lately_done = set(
            Reminder.objects.filter(ending="done", ended_at__gt=self.now - PEACE).values_list(
                "cause", flat=True
            )
        )
        assert set(open_now) == (wanted - (lately_done - open_before)) | (kept & open_before)
        for reminder in open_now.values():
            assert reminder.amount == self.facts[reminder.cause][0]
            reached = put_off(self.now).filter(pk=reminder.pk).exists()
            assert reached == (reminder.snoozed_until is not None), "who is back is not put off"
            if reminder.cause in pressing and reminder.snoozed_until is None:
                assert reminder.escalated_at is not None

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
            done(self._pick(pick))

    def _pick(self, pick: int) -> Reminder:
        found = list(self._open())
        return found[pick % len(found)]

    @invariant()
    def events_tell_the_state(self) -> None:
        by_cause = groupby(Reminder.objects.order_by("cause", "pk"), key=lambda reminder: reminder.cause)
        for _, group in by_cause:
            found = list(group)
            assert sum(reminder.ended_at is None for reminder in found) <= 1
            for reminder in found:
                self._agrees(reminder)

    def _agrees(self, reminder: Reminder) -> None:
        told = [event.what for event in reminder.events.order_by("id")]
        assert told[0] == "raised" and told.count("raised") == 1
        assert told.count("escalated") == (reminder.escalated_at is not None) <= 1
        endings = [what for what in told if what in ("done", "gone")]
        assert endings == ([reminder.ending] if reminder.ended_at else [])
        assert not endings or told[-1] == reminder.ending
        waits: list[str] = []
        for what in told:
            assert not (what == "escalated" and waits[-1:] == ["snoozed"]), "what is put off does not press"
            waits += [what] if what in ("snoozed", "back") else []
        assert (waits[-1:] == ["snoozed"]) == (reminder.snoozed_until is not None)
        assert all(a != "back" or b != "back" for a, b in pairwise(waits))
        assert all(event.at <= self.now for event in reminder.events.all())


def test_whatever_happens_one_is_open_and_its_events_tell_how_it_stands():
    few = settings(max_examples=25, stateful_step_count=25, suppress_health_check=list(HealthCheck))
    run_state_machine_as_test(Life, settings=few)
