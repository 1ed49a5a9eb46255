"""Checks that several subjects share. Each raises ValidationError with a text that says what to do."""

from datetime import datetime

from django.db.models import Exists, OuterRef, Q, Value
from django.db.models.functions import Coalesce

from maintenance.models import Loading, Toolhead
from spools.codes import pretty
from spools.models import Spool, Stay
from spools.refusals import refusal
from spools.wording import format_time


def is_loaded(toolhead: Toolhead, spool: Spool, at: datetime, until: datetime | None = None) -> bool:
    """Whether the spool was on the toolhead at that time, or some time up to ``until``, in the place that feeds it."""
    lasting = Q(end=None) | Q(end__gt=at)
    began = Q(start__lte=until or at)
    loaded = Loading.objects.filter(lasting, began, toolhead=toolhead, spool=spool)
    place = Coalesce(OuterRef("fed_from"), Value(toolhead.printer.place_id))
    stays = Stay.objects.filter(lasting, began, spool=spool, place=place)
    return loaded.filter(Exists(stays)).exists()


def require_loaded(toolhead: Toolhead, spool: Spool, at: datetime) -> None:
    """Raises ValidationError unless the spool was on the toolhead at that time."""
    if not is_loaded(toolhead, spool, at):
        raise refusal(
            "not_loaded_then",
            f"Spool {pretty(spool.code)} was not on {toolhead} at {format_time(at)}. "
            "Give the spool that was, or a time when it was loaded.",
            "spool",
        )
