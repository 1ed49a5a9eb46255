"""Checks that several subjects share. Each raises ValidationError with a text that says what to do."""

from datetime import datetime

from django.db.models import Exists, OuterRef, Q, Value
from django.db.models.functions import Coalesce

from maintenance.models import Loading, Toolhead
from spools.codes import pretty
from spools.models import Spool, Stay
from spools.refusals import refusal
from spools.wording import format_time


def is_loaded(toolhead: Toolhead, spool: Spool, at: datetime) -> bool:
    """Whether the spool was on the toolhead at that time, and in the place from which it is fed."""
    lasting = Q(end=None) | Q(end__gt=at)
    loaded = Loading.objects.filter(lasting, toolhead=toolhead, spool=spool, start__lte=at)
    place = Coalesce(OuterRef("fed_from"), Value(toolhead.printer.place_id))
    stays = Stay.objects.filter(lasting, spool=spool, place=place, start__lte=at)
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
