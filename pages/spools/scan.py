"""Scan: a code that was typed, or came from a scanner that types, leads to its spool."""

from django.core.exceptions import ValidationError
from django.db.models import Max
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from pages.spools.lookup import find_spool, not_found_page
from pages.spools.station import choose_station, find_station, note_scan
from spools import codes
from spools.models import Spool

SHOWN_RECENT = 8


def scan(request: HttpRequest) -> HttpResponse:
    """?code= of a label opens its subject. ?at= a place: this device scans there from now on; empty: nowhere."""
    if "at" in request.GET:
        choose_station(request, request.GET["at"])
        return redirect("scan")
    typed = request.GET.get("code")
    if typed is not None:
        try:
            if (read := codes.read_short(typed)) is not None:
                return redirect("place" if read[0] == codes.PLACE else "part", read[1])
            spool = find_spool(typed)
            note_scan(request, spool)
            return redirect("spool", spool.code)
        except ValidationError as error:
            return not_found_page(request, typed, error)
    recent = Spool.objects.filter(ended_at=None).annotate(moved=Max("stays__start")).order_by("-moved")
    recent = recent.select_related("feedstock__maker", "feedstock__polymer")[:SHOWN_RECENT]
    return render(request, "spools/scan/scan.html", {"recent": recent, "station": find_station(request)})
