"""All spools: where each is, what is on it, how wet it is."""

from django.contrib.auth.decorators import login_required
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from pages.spools.detail import describe_wetness
from spools.catalogue.values import material_values
from spools.models import Spool
from spools.moisture.state import moisture_of


@login_required
def spools(request: HttpRequest) -> HttpResponse:
    """Those in use, or with ?empty=1 those used up; ?q= narrows by code, material, maker, colour, place."""
    empty = "empty" in request.GET
    query = request.GET.get("q", "").strip()
    matches = Spool.objects.filter(emptied_at__isnull=not empty).select_related(
        "feedstock__polymer", "feedstock__maker", "feedstock__filler"
    )
    for word in query.replace("\0", "").split():
        matches = matches.filter(
            Q(code__icontains=word.replace("-", ""))
            | Q(batch__icontains=word)
            | Q(feedstock__name__icontains=word)
            | Q(feedstock__colour__icontains=word)
            | Q(feedstock__polymer__name__icontains=word)
            | Q(feedstock__maker__name__icontains=word)
            | Q(stays__end=None, stays__place__name__icontains=word)
        ).distinct()
    listed = list(matches)
    rows = [{"spool": spool} for spool in listed] if empty else _rows(listed)
    return render(request, "spools/list.html", {"rows": rows, "empty": empty, "wanted": query})


def _rows(listed: list[Spool]) -> list[dict]:
    moistures = moisture_of(listed)
    rows = []
    for spool in listed:
        moisture = moistures[spool.pk]
        rows.append(
            {
                "spool": spool,
                "place": moisture.history.stays[-1].place,
                "amount": moisture.history.remaining(),
                "limit_pct": material_values(spool.feedstock).limit_hold_pct,
                "wet": describe_wetness(moisture, spool.feedstock),
            }
        )
    return rows
