"""The stored checkpoints of spools: the newest ones, and how they grow thinner with age."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from django.db.models import DateTimeField, Max, OuterRef, QuerySet, Subquery

from background.prepared import Ids, Parameter, PreparedRows
from spools.models import MoisturePoint, MoistureState, Spool

DAILY = timedelta(days=8)
MONTH_DAYS = 30


def latest(spool_ids: Iterable[int], at: datetime) -> dict[int, MoistureState]:
    """The newest checkpoint of each spool up to ``at``, by spool id. One query."""
    return {state.spool_id: state for state in _LATEST.run(ids=list(spool_ids), at=at)}


def _select_latest() -> QuerySet[MoistureState]:
    earlier = MoistureState.objects.filter(spool=OuterRef("pk"), at__lte=Parameter("at", DateTimeField()))
    newest = Subquery(earlier.order_by("-at").values("pk")[:1])
    spools = Spool.objects.filter(pk__in=Ids("ids")).annotate(newest=newest)
    return MoistureState.objects.filter(pk__in=spools.values("newest"))


_LATEST = PreparedRows(_select_latest)


def latest_times(spool_ids: Iterable[int]) -> dict[int, datetime]:
    """The time of the newest checkpoint of each spool that has one, by spool id. One query."""
    rows = MoistureState.objects.filter(spool__in=list(spool_ids)).order_by()
    return dict(rows.values_list("spool").annotate(newest=Max("at")))


def slot(at: datetime, newest: datetime) -> tuple[str, int]:
    """Only one of the checkpoints that share a slot is kept: a day, or 30 days when older than 8 days."""
    day = at.astimezone(UTC).toordinal()
    return ("day", day) if newest - at <= DAILY else ("month", day // MONTH_DAYS)


def shown_since(newest: datetime) -> datetime:
    """Charts show the moisture from this time on: a midnight, so that all checkpoints of a day agree on it."""
    return newest.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0) - DAILY


def prune(spool_ids: Iterable[int]) -> None:
    """Keep the newest checkpoint, the last of each day for 8 days, the last of each 30 days before that.

    Of the points of charts, those of 8 days.
    """
    taken: set[tuple[int, str, int]] = set()
    newest: dict[int, datetime] = {}
    surplus = []
    rows = MoistureState.objects.filter(spool_id__in=list(spool_ids)).order_by("spool", "-at")
    for pk, spool_id, at in rows.values_list("pk", "spool_id", "at"):
        key = (spool_id, *slot(at, newest.setdefault(spool_id, at)))
        if key in taken:
            surplus.append(pk)
        taken.add(key)
    MoistureState.objects.filter(pk__in=surplus).delete()
    since = {pk: shown_since(at) for pk, at in newest.items()}
    for first in set(since.values()):
        spools = [pk for pk, at in since.items() if at == first]
        MoisturePoint.objects.filter(spool__in=spools, at__lt=first).delete()
