"""Spools come in, one or several alike, and get their labels."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from pages.frame.forms import apply, post_data
from pages.spools.forms import ReceiveForm
from spools import codes
from spools.inventory.receiving import NewSpool, receive_spool
from spools.models import Spool


def spool_receive(request: HttpRequest) -> HttpResponse:
    form = ReceiveForm(post_data(request), initial={"feedstock": request.GET.get("feedstock")})
    received: list[Spool] = []

    def receive(data: dict) -> None:
        fields = {name: value for name, value in data.items() if name not in ("core_kind", "place", "when")}
        received.append(receive_spool(NewSpool(**fields), data["place"], at=data["when"], by=request.user))

    if apply(form, receive):
        spool = received[0]
        messages.success(
            request, f"{spool.feedstock} is received as {codes.pretty(spool.code)}. Print its label."
        )
        return redirect("spool-label", spool.code)
    return render(request, "spools/receive.html", {"form": form})
