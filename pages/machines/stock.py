"""Stock: parts in the drawer and grams of each feedstock, against their reorder points."""

from collections.abc import Sequence

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone

from maintenance.board.consumables import forecast_stock
from maintenance.board.toolheads import read_upkeep
from maintenance.models import PartKind
from maintenance.models.parts import IN_NO_MACHINE
from maintenance.parts.fitting import add_stock
from maintenance.parts.life import KindLives, load_kind_lives
from maintenance.parts.wear_entries import in_stock
from maintenance.parts.wording import format_records
from pages.frame.forms import apply, post_data
from pages.frame.way_back import find_way_back
from pages.machines.part_forms import StockForm
from spools.inventory.ledger import remaining_by_spool
from spools.models import Feedstock, Spool


def stock(request: HttpRequest) -> HttpResponse:
    counts, kinds = in_stock(), list(PartKind.objects.all())
    lives = load_kind_lives(kinds)
    consumables = [kind for kind in kinds if kind.role in IN_NO_MACHINE]
    return render(
        request,
        "machines/stock/list.html",
        {
            "parts": [_row(kind, counts, lives[kind.pk]) for kind in kinds if kind.pk in lives],
            "consumables": _consumables(consumables, counts),
            "feedstocks": _feedstocks(),
        },
    )


def _consumables(kinds: Sequence[PartKind], counts: dict[int, float]) -> list[dict]:
    now = timezone.now()
    run_outs = forecast_stock(counts, read_upkeep(now), now) if kinds else {}
    return [_count_row(kind, counts) | {"run_out": run_outs.get(kind.pk)} for kind in kinds]


def _count_row(kind: PartKind, counts: dict[int, float]) -> dict:
    """A kind that this shop never had is not short; neither is one with a reorder point of 0."""
    count = counts.get(kind.pk, 0)
    return {
        "kind": kind,
        "count": count,
        "low": kind.pk in counts and count <= kind.reorder_point > 0,
    }


def _row(kind: PartKind, counts: dict[int, float], lives: KindLives) -> dict:
    return {
        **_count_row(kind, counts),
        "life": lives.expected() if lives.records else lives.stated,
        "own_parts": format_records(**lives.count_records()),
    }


def _feedstocks() -> list[dict]:
    """Grams on all live spools of each feedstock that is in the shop or should be."""
    spools = list(Spool.objects.filter(ended_at=None))
    amounts = remaining_by_spool(spools)
    rows = []
    for feedstock in Feedstock.objects.select_related("maker", "polymer"):
        feedstock_amounts = [amounts[spool.pk] for spool in spools if spool.feedstock_id == feedstock.pk]
        if feedstock_amounts or feedstock.reorder_point_g:
            mass_g = sum(amount.mass_g for amount in feedstock_amounts)
            low = feedstock.reorder_point_g > 0 and mass_g <= feedstock.reorder_point_g
            rows.append(
                {"feedstock": feedstock, "spools": len(feedstock_amounts), "mass_g": mass_g, "low": low}
            )
    return rows


def stock_add(request: HttpRequest) -> HttpResponse:
    back = find_way_back(request, reverse("stock"))
    form = StockForm(post_data(request), initial={"kind": request.GET.get("kind")})
    if apply(
        form,
        lambda data: add_stock(
            data["kind"], data["count"], at=data["when"], note=data["note"], by=request.user
        ),
    ):
        kind, count = form.cleaned_data["kind"], form.cleaned_data["count"]
        messages.success(request, f"{kind}: {count:+g} {kind.get_stock_unit_display()}.")
        return redirect(back)
    return render(request, "machines/stock/add.html", {"form": form, "back": back})
