"""The first hour: one page with four questions, then the codes and the verdict of the first spools."""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from maintenance.board.shop import load_board
from maintenance.first_hour import begin_shop
from maintenance.jobs.planned import list_verdicts
from maintenance.models import Printer
from pages.first_hour.forms import FirstHourForm
from pages.frame.forms import apply, post_data
from spools.models import Spool


def first_hour(request: HttpRequest) -> HttpResponse:
    form = FirstHourForm(post_data(request))
    stored: list[tuple[Printer, list[Spool]]] = []
    if apply(form, lambda data: stored.append(begin_shop(form.build_shop(), by=request.user))):
        printer, spools = stored[0]
        codes = ",".join(spool.code for spool in spools)
        return redirect(f"{reverse('first-verdict', args=[printer.pk])}?spools={codes}")
    return render(request, "first_hour/questions.html", {"form": form})


def first_verdict(request: HttpRequest, pk: int) -> HttpResponse:
    """The codes of alike spools, and the verdict of the first of them on a printer."""
    printer = get_object_or_404(Printer.objects.select_related("place__room"), pk=pk)
    codes = request.GET.get("spools", "").split(",")[:100]
    spools = list(
        Spool.objects.filter(code__in=codes, ended_at=None)
        .select_related("feedstock__maker", "feedstock__polymer", "feedstock__filler")
        .order_by("pk")
    )
    if not spools:
        return redirect("today")
    return render(request, "first_hour/verdict.html", _judge(printer, spools))


def _judge(printer: Printer, spools: list[Spool]) -> dict[str, Any]:
    first = spools[0]
    board = load_board([first.pk])
    here = [pk for pk, head in board.toolheads.items() if head.printer_id == printer.pk]
    return {
        "printer": printer,
        "spools": spools,
        "spool": first,
        "codes": ",".join(spool.code for spool in spools),
        "verdicts": list_verdicts(board, first, here),
        "row": board.rows.get(first.pk),
    }
