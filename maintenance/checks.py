"""Checks that several subjects share. Each raises ValidationError with a text that says what to do."""

from datetime import datetime

from django.db.models import Q

from maintenance.models import Loading, Toolhead
from spools.codes import pretty
from spools.models import Spool, Stay
from spools.refusals import refusal
from spools.wording import format_time


def require_loaded(toolhead: Toolhead, spool: Spool, at: datetime) -> None:
    """Raises ValidationError unless the spool was on the toolhead at that time."""
    lasting = Q(end=None) | Q(end__gt=at)
    loaded = Loading.objects.filter(lasting, toolhead=toolhead, spool=spool, start__lte=at)
    stays = Stay.objects.filter(lasting, spool=spool, place=toolhead.printer.place_id, start__lte=at)
    if not loaded.exists() or not stays.exists():
        raise refusal(
            "not_loaded_then",
            f"Spool {pretty(spool.code)} was not on {toolhead} at {format_time(at)}. "
            "Give the spool that was, or a time when it was loaded.",
            "spool",
        )
