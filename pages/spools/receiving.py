"""Spools come in, one or several alike, and get their labels."""

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from access.rules import is_allowed, required_role
from pages.frame.forms import apply, post_data
from pages.spools.receive_forms import ReceiveForm
from spools import codes
from spools.inventory.assumptions import save_place
from spools.inventory.receiving import NewSpool, receive_alike
from spools.models import CoreKind, Spool, Stay


def spool_receive(request: HttpRequest) -> HttpResponse:
    may_add_place = is_allowed(request.user, required_role("place-new", "POST"))
    form = ReceiveForm(
        post_data(request),
        initial=_as_the_last(request.GET.get("feedstock", "")),
        may_add_place=may_add_place,
    )
    received: list[Spool] = []

    @transaction.atomic
    def receive(data: dict) -> None:
        place = form.build_place() if may_add_place else None
        place = data["place"] if place is None else save_place(place)
        fields = {name: value for name, value in data.items() if name not in form.NOT_OF_A_SPOOL}
        received.extend(
            receive_alike(NewSpool(**fields), data["count"], place, at=data["when"], by=request.user)
        )

    if apply(form, receive):
        return _show_labels(request, received)
    return render(request, "spools/receive.html", {"form": form})


def _show_labels(request: HttpRequest, received: list[Spool]) -> HttpResponse:
    first, count = received[0], len(received)
    if count == 1:
        text = _("{feedstock} is received as {code}. Print its label.")
        messages.success(request, text.format(feedstock=first.feedstock, code=codes.pretty(first.code)))
        return redirect("spool-label", first.code)
    text = ngettext(
        "{count} spool of {feedstock} is received. Print the labels.",
        "{count} spools of {feedstock} are received. Print the labels.",
        count,
    )
    messages.success(request, text.format(count=count, feedstock=first.feedstock))
    return redirect(f"{reverse('labels')}?spools={','.join(spool.code for spool in received)}")


def _as_the_last(feedstock_id: str) -> dict[str, object]:
    """What the form begins with: the feedstock, and the reel and place of its last spool."""
    initial: dict[str, object] = {"feedstock": feedstock_id}
    if not (feedstock_id.isascii() and feedstock_id.isdecimal() and len(feedstock_id) < 15):
        return {}
    last = Spool.objects.filter(feedstock=int(feedstock_id)).first()
    if last is None:
        return initial
    reels = CoreKind.objects.filter(
        material=last.core_material, core_radius_mm=last.core_radius_mm, width_mm=last.width_mm
    )
    first_stay = Stay.objects.filter(spool=last).order_by("start").first()
    return initial | {"core_kind": reels.first(), "place": first_stay and first_stay.place_id}
