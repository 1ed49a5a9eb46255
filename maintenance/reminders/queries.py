"""Reminders that are due or snoozed, and how many of them count for a person."""

from datetime import datetime
from typing import Any

from django.db.models import BigIntegerField, Count, DateTimeField, Exists, F, OuterRef, Q, QuerySet, Value
from django.utils import timezone

from background.prepared import Parameter, PreparedQuery
from maintenance.models import Channel, Reminder, Subscription
from spools.models import DryingRun, MassEntry

Kind = Reminder.Kind
AMOUNT_REACHED = Q(amount_falls=True, amount__lte=F("snoozed_until_amount")) | Q(
    amount_falls=False, amount__gte=F("snoozed_until_amount")
)


def open_reminders(now: datetime | Parameter | None = None, user: Any = None) -> QuerySet[Any]:
    """Reminders that are due now, neither ended nor snoozed: those that count for a person first, then urgent
    ones. The annotation counts says whether it counts for that person.

    A reminder whose condition plainly ended is left out at once, and the next sweep ends it: its spool was
    taken out of the dryer, or put into one, or weighed.
    """
    now = now or timezone.now()
    drying = Exists(DryingRun.objects.filter(spool=OuterRef("spool"), end=None))
    weighings = MassEntry.objects.valid().filter(spool=OuterRef("spool"), kind=MassEntry.Kind.WEIGHED)
    weighed = Exists(weighings.filter(recorded_at__gt=OuterRef("opened_at")))
    due = Reminder.objects.filter(
        Q(snoozed_until=None) | Q(snoozed_until__lte=now) | AMOUNT_REACHED,
        ~Q(kind__in=[Kind.DRYER_UP, Kind.DRYING_DONE]) | drying,
        ~Q(kind__in=[Kind.DRY, Kind.WEIGH]) | ~drying,
        ~Q(kind=Kind.WEIGH) | ~weighed,
        ended_at=None,
    )
    counts = Value(True) if user is None else _counts_for(user if isinstance(user, Parameter) else user.pk)
    due = due.annotate(counts=counts).select_related("spool")
    return due.order_by("-counts", F("urgent_since").desc(nulls_last=True), "-opened_at", "-pk")


def count_by_kind(due: QuerySet[Any]) -> dict[str, int]:
    """How many of these reminders there are of each kind, the most first."""
    return dict(_select_counts(due))


def count_due_by_kind(now: datetime) -> dict[str, int]:
    """As count_by_kind, of all that are due."""
    return dict(_COUNTS.run(now=now))


def _select_counts(due: QuerySet[Any]) -> QuerySet[Any, Any]:
    counts = due.order_by().values("kind").annotate(count=Count("*")).order_by("-count", "kind")
    return counts.values_list("kind", "count")


_COUNTS = PreparedQuery(lambda: _select_counts(open_reminders(Parameter("now", DateTimeField()))))


def snoozed_reminders(now: datetime | Parameter | None = None) -> QuerySet[Reminder]:
    """Snoozed reminders, those that return first at the top."""
    now = now or timezone.now()
    waiting = Reminder.objects.filter(ended_at=None, snoozed_until__gt=now)
    return waiting.exclude(pk__in=waiting.filter(AMOUNT_REACHED).values("pk")).order_by("snoozed_until")


def _counts_for(user_id: Any) -> Any:
    """Whether a kind counts for a person: all do, until they have chosen some for the page."""
    page = Channel.objects.filter(user=user_id, kind=Channel.Kind.PAGE, ended_at=None)
    chosen = Subscription.objects.filter(channel__in=page, reminder_kind=OuterRef("kind"))
    return ~Exists(page) | Exists(chosen)


def count_due(user: Any = None, now: datetime | None = None) -> int:
    """How many reminders are due that count for a person."""
    rows = _COUNT_DUE.run(now=now or timezone.now(), user=user and user.pk)
    return sum(count for (count,) in rows)


def _build_count_due() -> QuerySet[Any, Any]:
    now, user_id = Parameter("now", DateTimeField()), Parameter("user", BigIntegerField())
    due = open_reminders(now).filter(_counts_for(user_id)).order_by().values("ended_at")
    return due.annotate(count=Count("*")).values_list("count")


# Each page shows it.
_COUNT_DUE = PreparedQuery(_build_count_due)
