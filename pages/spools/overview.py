"""All spools: where each is, what is on it, how wet it is and how long it lasts there."""

from datetime import datetime
from typing import Any

from django.core.paginator import Paginator
from django.db.models import Prefetch
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from maintenance.board.version import board_version
from maintenance.reminders.conditions.moisture import find_damp_spools
from spools.air.hourly import HOUR
from spools.board import board
from spools.catalogue.values import material_values
from spools.drying.advice_wording import format_hours_ahead
from spools.inventory.queries import cut_search, search_spools
from spools.models import Ending, Spool, SpoolBoard

PER_PAGE = 50


def spools(request: HttpRequest) -> HttpResponse:
    """Those in use, or with ?empty=1 those out of use; ?q= narrows by code, material, maker, colour, place.

    ?damp=1: opened ones that are too wet to print well, and that nobody wants now.
    """
    live, empty, damp = board_version(), "empty" in request.GET, "damp" in request.GET
    search = cut_search(request.GET.get("q", ""))
    listed = Spool.objects.filter(ended_at__isnull=not empty).select_related(
        "feedstock__polymer", "feedstock__maker", "feedstock__filler"
    )
    if damp:
        listed = listed.filter(pk__in=find_damp_spools().values("spool"))
    if empty:
        listed = listed.prefetch_related(Prefetch("endings", Ending.objects.valid(), to_attr="endings_now"))
    page = Paginator(search_spools(listed, search), PER_PAGE).get_page(request.GET.get("page"))
    now, shown = timezone.now(), list(page)
    rows = {} if empty else board.read([spool.pk for spool in shown], now)
    query = request.GET.copy()
    query.pop("page", None)
    context = {
        "page": page,
        "rows": [{"spool": spool, **_answers(spool, rows.get(spool.pk), now)} for spool in shown],
        "empty": empty,
        "damp": damp,
        "wanted": search,
        "query": query,
        "live": live,
    }
    return render(request, "spools/list.html", context)


def _answers(spool: Spool, row: SpoolBoard | None, now: datetime) -> dict[str, Any]:
    """What the board says; nothing of a spool that has no row yet."""
    if row is None:
        return {}
    return {
        "row": row,
        "limit_pct": material_values(spool.feedstock).limit_hold_pct,
        "prints_well": _format_until(row.prints_well_until, now),
        "printable": _format_until(row.printable_until, now),
    }


def _format_until(until: datetime | None, now: datetime) -> str:
    """How long from now; empty when it is over."""
    if until is not None and until <= now:
        return ""
    return format_hours_ahead(None if until is None else (until - now) / HOUR)
