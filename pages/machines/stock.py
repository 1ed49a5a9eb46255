"""Stock: parts in the drawer, consumables and grams of each feedstock, what is due first; other kinds by a search."""

from collections.abc import Mapping, Sequence
from typing import Any

from django.contrib import messages
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.board.consumables import forecast_stock
from maintenance.board.toolheads import read_upkeep
from maintenance.models import Fitting, PartKind
from maintenance.models.parts import IN_NO_MACHINE
from maintenance.parts.stock import add_stock
from maintenance.parts.wear_entries import in_stock
from maintenance.parts.wording import format_far_day
from maintenance.parts.words import name_kind
from pages.frame.forms import apply, post_data
from pages.frame.way_back import find_way_back
from pages.machines.part_forms import StockForm
from spools.inventory.ledger import remaining_by_spool
from spools.models import Feedstock, Spool
from spools.wording import format_number

Row = dict[str, Any]


def stock(request: HttpRequest) -> HttpResponse:
    wanted = request.GET.get("q", "").strip()
    rows = _list_rows()
    here = [row for row in rows if row["count"] > 0 and not row["low"]]
    context = {
        "wanted": wanted,
        "found": _find(rows, wanted) if wanted else [],
        "due": [row for row in rows if row["low"]],
        "parts": [row for row in here if row["kind"].role not in IN_NO_MACHINE],
        "consumables": [row for row in here if row["kind"].role in IN_NO_MACHINE],
        "feedstocks": [] if wanted else _feedstocks(),
    }
    return render(request, "machines/stock/list.html", context)


def _list_rows() -> list[Row]:
    """Each kind with its count, when a consumable runs out, and how many are fitted. A fixed number of queries.

    A kind that this shop never had is not short; neither is one with a reorder point of 0.
    """
    counts, now = in_stock(), timezone.now()
    fitted = dict(
        Fitting.objects.valid()
        .filter(end=None)
        .order_by()
        .values_list("part__kind")
        .annotate(number=Count("pk"))
    )
    kinds = list(PartKind.objects.all())
    has_consumables = any(kind.role in IN_NO_MACHINE for kind in kinds)
    run_outs: Mapping[int, Any] = forecast_stock(counts, read_upkeep(now), now) if has_consumables else {}
    rows = []
    for kind in kinds:
        count, run_out = counts.get(kind.pk, 0), run_outs.get(kind.pk)
        rows.append(
            {
                "kind": kind,
                "count": count,
                "fitted": fitted.get(kind.pk, 0),
                "low": kind.pk in counts and count <= kind.reorder_point > 0,
                "run_out": run_out,
                "run_out_day": run_out and format_far_day(run_out.at),
            }
        )
    return rows


def _find(rows: Sequence[Row], wanted: str) -> list[Row]:
    """The kinds with each word in their name, role or material."""
    words = wanted.casefold().split()

    def describe(kind: PartKind) -> str:
        return f"{name_kind(kind)} {kind} {kind.get_role_display()} {_(kind.material)} {kind.material}".casefold()

    return [row for row in rows if all(word in describe(row["kind"]) for word in words)]


def _feedstocks() -> list[Row]:
    """Grams on all live spools of each feedstock that is in the shop or should be; short ones first."""
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
    return sorted(rows, key=lambda row: not row["low"])


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
        change = f"{'+' if count > 0 else ''}{format_number(count)} {kind.get_stock_unit_display()}"
        messages.success(request, _("{kind}: {change}.").format(kind=name_kind(kind), change=change))
        return redirect(back)
    return render(request, "machines/stock/add.html", {"form": form, "back": back})
