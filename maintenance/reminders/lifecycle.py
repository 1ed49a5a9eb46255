"""The life of reminders: raised once for a cause, told once more when it presses, put off or done by people,
ended by themselves when the cause is gone. What is due is looked for in ``maintenance/causes``.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import connection, transaction
from django.db.models import Exists, F, OuterRef, Q, QuerySet, Value
from django.utils import timezone

from maintenance.changes import FLOW, PARTS, SERVICE, STOCK
from maintenance.models import Channel, Reminder, ReminderEvent, Subscription
from maintenance.parts.life import load_fitted_parts
from maintenance.reminders.conditions.boxes import spent_and_leaking
from maintenance.reminders.conditions.conditions import Found
from maintenance.reminders.conditions.drying import ended_runs, heated
from maintenance.reminders.conditions.flow import flow
from maintenance.reminders.conditions.moisture import wet_spools
from maintenance.reminders.conditions.parts import worn
from maintenance.reminders.conditions.sensors import silent
from maintenance.reminders.conditions.service import overdue
from maintenance.reminders.conditions.stock import short
from maintenance.reminders.delivery import outbox
from spools.checks import require_within
from spools.models import DesiccantCharge, DryingRun, MassEntry, Spool
from spools.wording import format_number, format_time

Kind = Reminder.Kind
What = ReminderEvent.What
# A cause that is still there after "done" comes back after this: what was done may need its time.
PEACE = timedelta(hours=24)
# Their causes say since when (found.Found.want): done once, they rest until something new happens.
SETTLED_ONCE = {Kind.DRYER_UP, Kind.HEAT, Kind.SENSOR}
LONGEST_SNOOZE = timedelta(days=366)
LONGEST = {"title": 160, "why": 300, "remedy": 200}
LARGEST_AMOUNT = 1e6
# Numbers are kept about as exactly as they are told, so that a sweep writes little where little has changed.
AMOUNT_DIGITS = 3
# What a sweep may say anew of an open reminder.
SAID = ["title", "why", "remedy", "due_at", "amount", "amount_unit", "amount_falls"]
LIFE = ["escalated_at", "snoozed_until", "snoozed_until_amount"]
REMINDERS = 7_203_115  # any number that no other advisory lock of this database has


@dataclass
class Counts:
    """What a sweep did: how many it raised and how many ended by themselves."""

    raised: int = 0
    resolved: int = 0


@dataclass(frozen=True)
class Looked:
    """What was found with much computing, and when that began: facts may have been added since."""

    at: datetime
    found: list[Found]


def sweep(now: datetime | None = None) -> Counts:
    """Look for all causes: raise what is new, end what is gone."""
    now = now or timezone.now()
    return store_sweep(look(now), now)


def look(now: datetime) -> Looked:
    """What takes the physics of spools and boxes: computed before the sweep, which locks. Stores nothing."""
    began = timezone.now()
    with _facts_as_they_are():
        return Looked(began, [wet_spools(now), ended_runs(now), spent_and_leaking(now)])


@contextmanager
def _facts_as_they_are() -> Iterator[None]:
    """On PostgreSQL all is read as it was at one moment: a weighing between two queries fits neither.

    SQLite's only kind of transaction here would lock the writers out for as long.
    """
    if connection.vendor != "postgresql" or connection.in_atomic_block:
        yield
        return
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        yield


@transaction.atomic
def store_sweep(looked: Looked, now: datetime) -> Counts:
    """The sweep, with what was computed before."""
    _lock_reminders()
    fitted = load_fitted_parts(at=now)
    found = [heated(now), silent(now), worn(now, fitted), flow(now), short(now, fitted), overdue(now)]
    _leave_out_changed(looked)
    return settle([*looked.found, *found], now)


# The conditions that a changed fact may open or end, by its subject.
CONDITIONS: dict[str, Callable[[datetime], Found]] = {PARTS: worn, FLOW: flow, STOCK: short, SERVICE: overdue}


@transaction.atomic
def sweep_subjects(subjects: Iterable[str], now: datetime | None = None) -> Counts:
    """Bring the reminders about these subjects of maintenance.changes up to date."""
    _lock_reminders()
    now = now or timezone.now()
    return settle([CONDITIONS[subject](now) for subject in sorted(subjects)], now)


def _lock_reminders() -> None:
    """Wait for whoever changes reminders, so that the last sweep knows the newest facts.

    SQLite has one writer at a time anyway. Each transaction that changes reminders takes this lock first and
    no other: facts are recorded in transactions of their own.
    """
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [REMINDERS])


def _leave_out_changed(looked: Looked) -> None:
    """Take out what was computed of spools and boxes that something happened to since."""
    drying = set(DryingRun.objects.filter(end=None).values_list("spool", flat=True))
    empty = set(Spool.objects.exclude(emptied_at=None).values_list("pk", flat=True))
    weighed = set(
        MassEntry.objects.filter(kind=MassEntry.Kind.WEIGHED, recorded_at__gt=looked.at).values_list(
            "spool", flat=True
        )
    )
    charges = DesiccantCharge.objects.filter(Q(recorded_at__gt=looked.at) | Q(withdrawn_at__gt=looked.at))
    filled = set(charges.values_list("place", flat=True))

    def stands(reminder: Reminder) -> bool:
        spool, place = reminder.spool_id, reminder.place_id
        match reminder.kind:
            case Kind.DRY:
                return spool not in drying | empty
            case Kind.WEIGH:
                return spool not in drying | empty | weighed
            case Kind.DRYER_UP | Kind.DRYING_DONE:
                return spool in drying
        return place not in filled

    for found in looked.found:
        found.wanted = {cause: one for cause, one in found.wanted.items() if stands(one)}
        found.kept = {cause: one for cause, one in found.kept.items() if stands(one)}


@dataclass
class _Changes:
    """What a sweep will write: each kind of row at once."""

    now: datetime
    new: list[Reminder] = field(default_factory=list)
    changed: list[Reminder] = field(default_factory=list)
    gone: list[Reminder] = field(default_factory=list)
    events: list[ReminderEvent] = field(default_factory=list)

    def event(self, reminder: Reminder, what: str, said: str = "") -> None:
        self.events.append(ReminderEvent(reminder=reminder, what=what, at=self.now, said=said))

    def write(self) -> Counts:
        Reminder.objects.bulk_create(self.new)
        _update(self.changed)
        gone = Reminder.objects.filter(pk__in=[reminder.pk for reminder in self.gone])
        gone.update(ended_at=self.now, ending=Reminder.Ending.GONE)
        ReminderEvent.objects.bulk_create(self.events)
        if self.events:
            outbox.post(self.events)
        return Counts(len(self.new), len(self.gone))


def _update(reminders: Sequence[Reminder]) -> None:
    """Store what may change of these: one statement for many rows. bulk_update takes ten times as long."""
    if not reminders:
        return
    columns = [column for column in Reminder._meta.concrete_fields if column.name in {*SAID, *LIFE}]
    sets = ", ".join(f"{connection.ops.quote_name(column.name)} = %s" for column in columns)
    rows = [
        [*(column.get_db_prep_save(getattr(row, column.name), connection) for column in columns), row.pk]
        for row in reminders
    ]
    table = connection.ops.quote_name(Reminder._meta.db_table)
    with connection.cursor() as cursor:
        cursor.executemany(f"UPDATE {table} SET {sets} WHERE id = %s", rows)


def settle(looks: Sequence[Found], now: datetime) -> Counts:
    """Raise what has no open reminder, bring the others up to date, end the rest. As many queries for many.

    What is put off does not press while it is; it may in the sweep that brings it back.
    """
    kinds = [kind for found in looks for kind in found.kinds]
    open_ = {r.cause: r for r in Reminder.objects.filter(kind__in=kinds, ended_at=None).order_by("pk")}
    done = _last_done(looks, now)
    changes = _Changes(now)
    for found in looks:
        for cause, reminder in found.wanted.items():
            _shorten(reminder)
            rests = cause in done and (
                done[cause] > now - PEACE or (cause in found.since and done[cause] >= found.since[cause])
            )
            if cause not in open_ and not rests:
                reminder.raised_at = now
                changes.new.append(reminder)
                changes.event(reminder, What.RAISED, counted(reminder))
                _press(reminder, found, changes)
    said = {cause: one for found in looks for cause, one in [*found.kept.items(), *found.wanted.items()]}
    by_kind = {kind: found for found in looks for kind in found.kinds}
    for cause, reminder in open_.items():
        if cause not in said:
            changes.gone.append(reminder)
            changes.event(reminder, What.GONE)
            continue
        _shorten(said[cause])
        before = _values(reminder)
        _bring_up_to_date(reminder, said[cause], changes)
        _press(reminder, by_kind[reminder.kind], changes)
        if _values(reminder) != before:
            changes.changed.append(reminder)
    return changes.write()


def _last_done(looks: Sequence[Found], now: datetime) -> dict[str, Any]:
    """When causes were last done: in the last PEACE, or ever where that settles them."""
    kinds = [kind for found in looks for kind in found.kinds]
    settled = [cause for found in looks for cause in found.since]
    done = Reminder.objects.filter(
        Q(ended_at__gt=now - PEACE) | Q(cause__in=settled), kind__in=kinds, ending=Reminder.Ending.DONE
    )
    return {row.cause: row.ended_at for row in done.order_by("ended_at").only("cause", "ended_at")}


def _shorten(reminder: Reminder) -> None:
    """As much as the columns hold; a number as exact as it is told."""
    for name, most in LONGEST.items():
        text = getattr(reminder, name)
        setattr(reminder, name, text if len(text) <= most else text[: most - 1] + "…")
    if reminder.amount is not None:
        reminder.amount = float(f"{reminder.amount:.{AMOUNT_DIGITS}g}")


def _values(reminder: Reminder) -> list[Any]:
    return [getattr(reminder, name) for name in [*SAID, *LIFE]]


def _bring_up_to_date(reminder: Reminder, said: Reminder, changes: _Changes) -> None:
    """What it says now; and back when what it was put off until has come, or is counted otherwise now."""
    other_unit = reminder.snoozed_until_amount is not None and reminder.amount_unit != said.amount_unit
    for name in SAID:
        setattr(reminder, name, getattr(said, name))
    if reminder.snoozed_until is None or not (other_unit or _reached(reminder, changes.now)):
        return
    reminder.snoozed_until = reminder.snoozed_until_amount = None
    changes.event(reminder, What.BACK, counted(reminder))


def _reached(reminder: Reminder, now: datetime) -> bool:
    """Whether the time or the amount that it was put off until has come."""
    assert reminder.snoozed_until is not None
    if reminder.snoozed_until <= now:
        return True
    until, amount = reminder.snoozed_until_amount, reminder.amount
    if until is None:
        return False
    return amount is None or (amount <= until if reminder.amount_falls else amount >= until)


def _press(reminder: Reminder, found: Found, changes: _Changes) -> None:
    """Once in its life."""
    if reminder.cause not in found.pressing or reminder.escalated_at or reminder.snoozed_until:
        return
    reminder.escalated_at = changes.now
    changes.event(reminder, What.ESCALATED, counted(reminder))


def counted(reminder: Reminder) -> str:
    """The number that its cause is told by, with its unit; "" without one."""
    return "" if reminder.amount is None else f"{format_number(reminder.amount)} {reminder.amount_unit}"


# People


@transaction.atomic
def snooze(
    reminder: Reminder, until: datetime | None = None, amount: float | None = None, by: Any = None
) -> Reminder:
    """Say it again at a time, or when the number that its cause is told by has come to an amount.

    By the number too it comes back after LONGEST_SNOOZE. Refused: neither or both, a time that is past or
    over a year away, an amount that has come already, one that is told by no number, one that has ended.
    """
    reminder, now = _still_open(reminder), timezone.now()
    if (until is None) == (amount is None):
        raise ValidationError({"until": "Give a time or an amount to put it off until, one of the two."})
    if amount is not None:
        amount, until = _possible(reminder, amount), now + LONGEST_SNOOZE
    elif until is None or timezone.is_naive(until) or not now < until <= now + LONGEST_SNOOZE:
        raise ValidationError({"until": "Give a time to come, at most a year from now."})
    reminder.snoozed_until, reminder.snoozed_until_amount = until, amount
    reminder.save(update_fields=["snoozed_until", "snoozed_until_amount"])
    _record(reminder, What.SNOOZED, until_when(reminder), now, by)
    return reminder


def until_when(reminder: Reminder) -> str:
    """What it is put off until, in words."""
    if reminder.snoozed_until_amount is not None:
        return f"until {format_number(reminder.snoozed_until_amount)} {reminder.amount_unit}"
    assert reminder.snoozed_until is not None
    return f"until {format_time(reminder.snoozed_until)}"


def _possible(reminder: Reminder, amount: float) -> float:
    """The amount, when it is still to come."""
    if reminder.amount is None:
        raise ValidationError(
            {"amount": "This reminder is told by no number. Put it off until a time instead."}
        )
    unit, most = reminder.amount_unit, 100 if reminder.amount_unit == "% RH" else LARGEST_AMOUNT
    amount = require_within("amount", amount, 0, most, unit)
    if amount >= reminder.amount if reminder.amount_falls else amount <= reminder.amount:
        less = "less" if reminder.amount_falls else "more"
        raise ValidationError({"amount": f"It is {counted(reminder)} already. Give {less} than that."})
    return amount


@transaction.atomic
def done(reminder: Reminder, note: str = "", by: Any = None) -> Reminder:
    """It was done. If its cause is still there after PEACE, it is raised again."""
    reminder, now = _still_open(reminder), timezone.now()
    reminder.ended_at, reminder.ending = now, Reminder.Ending.DONE
    reminder.note, reminder.ended_by = note, by
    reminder.save(update_fields=["ended_at", "ending", "note", "ended_by"])
    _record(reminder, What.DONE, note, now, by)
    return reminder


def _still_open(reminder: Reminder) -> Reminder:
    _lock_reminders()
    reminder = Reminder.objects.get(pk=reminder.pk)
    if reminder.ended_at is not None:
        raise ValidationError(f"This reminder ended on {format_time(reminder.ended_at)} already.")
    return reminder


def _record(reminder: Reminder, what: str, said: str, now: datetime, by: Any) -> None:
    event = ReminderEvent.objects.create(reminder=reminder, what=what, at=now, said=said, by=by)
    outbox.post([event])


def open_reminders(now: datetime | None = None, user: Any = None) -> QuerySet[Any]:
    """Reminders that are due now: neither ended nor put off; those that count for a person first, then those
    that press. counts: whether it counts for that person.

    What was plainly done since is left out at once, and the next sweep ends it: a spool was taken out of its
    dryer, or put into one, or weighed.
    """
    now = now or timezone.now()
    drying = Exists(DryingRun.objects.filter(spool=OuterRef("spool"), end=None))
    weighings = MassEntry.objects.valid().filter(spool=OuterRef("spool"), kind=MassEntry.Kind.WEIGHED)
    weighed = Exists(weighings.filter(recorded_at__gt=OuterRef("raised_at")))
    found = Reminder.objects.filter(
        Q(snoozed_until=None) | Q(snoozed_until__lte=now) | AMOUNT_REACHED,
        ~Q(kind__in=[Kind.DRYER_UP, Kind.DRYING_DONE]) | drying,
        ~Q(kind__in=[Kind.DRY, Kind.WEIGH]) | ~drying,
        ~Q(kind=Kind.WEIGH) | ~weighed,
        ended_at=None,
    )
    found = found.annotate(counts=_counts_for(user)).select_related("spool")
    return found.order_by("-counts", F("escalated_at").desc(nulls_last=True), "-raised_at", "-pk")


AMOUNT_REACHED = Q(amount_falls=True, amount__lte=F("snoozed_until_amount")) | Q(
    amount_falls=False, amount__gte=F("snoozed_until_amount")
)


def put_off(now: datetime | None = None) -> QuerySet[Reminder]:
    """Open reminders that somebody put off, those that come back first at the top."""
    now = now or timezone.now()
    waiting = Reminder.objects.filter(ended_at=None, snoozed_until__gt=now)
    return waiting.exclude(pk__in=waiting.filter(AMOUNT_REACHED).values("pk")).order_by("snoozed_until")


def _counts_for(user: Any) -> Any:
    """Whether a person wants a kind counted: all, until they have chosen some for the page."""
    if user is None:
        return Value(True)
    page = Channel.objects.filter(user=user.pk, kind=Channel.Kind.PAGE, ended_at=None)
    chosen = Subscription.objects.filter(channel__in=page, reminder_kind=OuterRef("kind"))
    return ~Exists(page) | Exists(chosen)


def due_count(user: Any = None, now: datetime | None = None) -> int:
    """How many reminders are due that count for a person."""
    return open_reminders(now, user).filter(_counts_for(user)).count()
