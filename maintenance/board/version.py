"""The version of all answers on the board: it changes with each fact, each refreshed row and each reminder."""

from typing import Any

from django.db.models import Func, Model, QuerySet, Subquery

from background.prepared import PreparedQuery
from maintenance.models import ReminderEvent, Toolhead, ToolheadBoard
from spools.invalidation import load_advice_generation
from spools.models import CacheVersion, Spool, SpoolBoard


def board_version() -> str:
    """A text that stays equal while nothing changes. One query, once a first version is stored."""
    rows = _VERSION.run()
    return "-".join(map(str, rows[0])) if rows else str(load_advice_generation())


def _build_version() -> QuerySet[CacheVersion, Any]:
    return CacheVersion.objects.values_list(
        "advice_generation",
        _over_all(Spool, "SUM", "cache_generation"),
        _over_all(Toolhead, "SUM", "board_generation"),
        _over_all(SpoolBoard, "MAX", "computed_at"),
        _over_all(ToolheadBoard, "MAX", "computed_at"),
        _over_all(ReminderEvent, "MAX", "id"),
    )


def _over_all(model: type[Model], function: str, column: str) -> Subquery:
    """A function of a column over all rows, as a part of another query."""
    rows = model._default_manager.order_by()
    return Subquery(rows.annotate(result=Func(column, function=function)).values("result"))


# Open pages ask for it every few seconds.
_VERSION = PreparedQuery(_build_version)
