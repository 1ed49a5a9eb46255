"""The stored checkpoints of spools: the newest ones, and how they grow thinner with age."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from django.db.models import Max, OuterRef, Subquery

from spools.models import MoistureState, Spool

DAILY = timedelta(days=8)
MONTH_DAYS = 30


def latest(spool_ids: Iterable[int], at: datetime) -> dict[int, MoistureState]:
    """The newest checkpoint of each spool up to ``at``, by spool id. One query."""
    newest = MoistureState.objects.filter(spool=OuterRef("pk"), at__lte=at).order_by("-at").values("pk")[:1]
    spools = Spool.objects.filter(pk__in=list(spool_ids)).annotate(newest=Subquery(newest))
    return {state.spool_id: state for state in MoistureState.objects.filter(pk__in=spools.values("newest"))}


def latest_times(spool_ids: Iterable[int]) -> dict[int, datetime]:
    """The time of the newest checkpoint of each spool that has one, by spool id. One query."""
    rows = MoistureState.objects.filter(spool__in=list(spool_ids)).order_by()
    return dict(rows.values_list("spool").annotate(newest=Max("at")))


def slot(at: datetime, newest: datetime) -> tuple[str, int]:
    """Only one of the checkpoints that share a slot is kept: a day, or 30 days when older than 8 days."""
    day = at.astimezone(UTC).toordinal()
    return ("day", day) if newest - at <= DAILY else ("month", day // MONTH_DAYS)


def prune(spool_ids: Iterable[int]) -> None:
    """Keep the newest checkpoint, the last of each day for 8 days, the last of each 30 days before that."""
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
