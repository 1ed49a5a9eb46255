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
from pages.spools.lasting import format_lasts_shortly
from pages.spools.winding_chart import draw_reel_level
from spools.board import board
from spools.catalogue.values import material_values
from spools.inventory.queries import cut_search, load_full_masses, search_spools
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
    ids = [spool.pk for spool in shown]
    rows = {} if empty else board.read(ids, now)
    full_g = {} if empty else load_full_masses(ids)
    query = request.GET.copy()
    query.pop("page", None)
    context = {
        "page": page,
        "rows": [
            {"spool": spool, **_answers(spool, rows.get(spool.pk), full_g.get(spool.pk, 0.0), now)}
            for spool in shown
        ],
        "oldest": min((row.computed_at for row in rows.values()), default=None),
        "empty": empty,
        "damp": damp,
        "wanted": search,
        "query": query,
        "live": live,
    }
    return render(request, "spools/list.html", context)


def _answers(spool: Spool, row: SpoolBoard | None, full_g: float, now: datetime) -> dict[str, Any]:
    """What the board says; nothing of a spool that has no row yet."""
    if row is None:
        return {}
    limit_pct = material_values(spool.feedstock).limit_hold_pct
    return {
        "row": row,
        "limit_pct": limit_pct,
        # Of the bar: full at the print limit and above.
        "share": min(100.0, 100 * row.p50_pct / limit_pct),
        "level": draw_reel_level(row.mass_g, full_g),
        "lasts": format_lasts_shortly(row, now),
    }
