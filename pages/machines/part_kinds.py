"""Kinds of part: how long they last, as stated and as this shop has seen it; add one, correct one."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.board.consumables import forecast_stock
from maintenance.board.toolheads import read_upkeep
from maintenance.models import Part, PartKind
from maintenance.models.parts import IN_NO_MACHINE
from maintenance.parts.life import load_kind_lives, load_part_wear
from maintenance.parts.stock import save_kind
from maintenance.parts.wear_entries import in_stock
from maintenance.parts.wording import format_records
from maintenance.parts.words import name_kind, name_part
from maintenance.wear.learning import learn
from pages.frame.forms import apply, post_data
from pages.machines.life_chart import draw_lives
from pages.machines.part_forms import PartKindForm

SHOWN_ENTRIES = 20


def part_kind(request: HttpRequest, pk: int) -> HttpResponse:
    """The stated life, the life learnt from the shop's own parts, and each of these parts."""
    kind = get_object_or_404(PartKind, pk=pk)
    context = {
        "kind": kind,
        "name": name_kind(kind),
        "count": in_stock([kind]).get(pk, 0),
        "services": kind.services.all(),
        "entries": kind.stock_entries.filter(fitting=None)
        .select_related("recorded_by", "withdrawn_by")
        .order_by("-at", "-id")[:SHOWN_ENTRIES],
    }
    if kind.role not in IN_NO_MACHINE:
        context |= _describe_life(kind)
    else:
        now = timezone.now()
        run_out = forecast_stock(in_stock([kind]), read_upkeep(now), now).get(pk)
        context |= {"run_out": run_out and run_out.statement}
    return render(request, "machines/stock/kind.html", context)


def _describe_life(kind: PartKind) -> dict[str, Any]:
    """The life of a kind as stated and as learnt, and its parts."""
    lives = load_kind_lives([kind])[kind.pk]
    expected = lives.expected()
    return {
        "expected": expected,
        "own_parts": format_records(**lives.count_records()),
        "picture": draw_lives(kind, learn(lives.stated), expected),
        "parts": [
            {
                "wear": wear,
                "name": name_part(wear.part),
                "record": lives.records.get(wear.part.pk),
                "readings": len(wear.readings),
            }
            for wear in load_part_wear(Part.objects.filter(kind=kind))
        ],
    }


def part_kind_new(request: HttpRequest) -> HttpResponse:
    return _form(
        request,
        PartKindForm(post_data(request)),
        _("{kind} is added. Receive the first ones when they come."),
    )


def part_kind_edit(request: HttpRequest, pk: int) -> HttpResponse:
    kind = get_object_or_404(PartKind, pk=pk)
    form = PartKindForm(post_data(request), instance=kind)
    return _form(request, form, _("{kind} is changed; the wear of its parts is counted again."))


def _form(request: HttpRequest, form: PartKindForm, result: str) -> HttpResponse:
    if apply(form, lambda data: save_kind(form.instance)):
        messages.success(request, result.format(kind=name_kind(form.instance)))
        return redirect("part-kind", form.instance.pk)
    return render(request, "machines/stock/kind_form.html", {"form": form})
