"""All spools: where each is, what is on it, how wet it is."""

from django.contrib.auth.decorators import login_required
from django.db.models import Prefetch, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from spools import catalogue, ledger
from spools.exposure import moisture_of
from spools.models import Spool, Stay

from .spool import wet


@login_required
def spools(request: HttpRequest) -> HttpResponse:
    """Those in use, or with ?empty=1 those used up; ?q= narrows by code, material, maker, colour, place."""
    empty = "empty" in request.GET
    wanted = request.GET.get("q", "").strip()
    found = Spool.objects.filter(emptied_at__isnull=not empty).select_related(
        "feedstock__polymer", "feedstock__maker", "feedstock__filler"
    )
    for word in wanted.replace("\0", "").split():
        found = found.filter(
            Q(code__icontains=word.replace("-", ""))
            | Q(batch__icontains=word)
            | Q(feedstock__name__icontains=word)
            | Q(feedstock__colour__icontains=word)
            | Q(feedstock__polymer__name__icontains=word)
            | Q(feedstock__maker__name__icontains=word)
            | Q(stays__end=None, stays__place__name__icontains=word)
        ).distinct()
    here = Prefetch("stays", Stay.objects.filter(end=None).select_related("place"), to_attr="present")
    listed = list(found.prefetch_related(here))
    return render(
        request, "spools/list.html", {"rows": _rows(listed, empty), "empty": empty, "wanted": wanted}
    )


def _rows(listed: list[Spool], empty: bool) -> list[dict]:
    if empty:
        return [{"spool": spool} for spool in listed]
    amounts = ledger.remaining_of(listed)
    moistures = moisture_of(listed)
    return [
        {
            "spool": spool,
            "place": spool.present[0].place if spool.present else None,
            "amount": amounts[spool.pk],
            "limit_pct": catalogue.value(spool.feedstock, "limit_hold_pct"),
            "wet": wet(moistures[spool.pk], spool.feedstock),
        }
        for spool in listed
    ]
