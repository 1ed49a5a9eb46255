"""A spool comes in, and gets its label."""

from ipaddress import ip_address
from urllib.parse import urlsplit

from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from pages.frame.forms import apply, post_data
from pages.spools.forms import ReceiveForm
from pages.spools.lookup import with_spool
from spools import codes
from spools.drying.caps import compute_cap, suggested_set_point_c
from spools.inventory.receiving import NewSpool, receive_spool
from spools.models import Place, Spool
from spools.moisture.history import least_drying_hours

LABEL_SIZES = {"small": "62 × 29 mm", "large": "100 × 62 mm"}


def _address_caution(base: str) -> str:
    """Why a phone may not open the address on a label: loopback, not_set; empty: none."""
    host = urlsplit(base).hostname or ""
    try:
        is_local = ip_address(host).is_loopback or ip_address(host).is_unspecified
    except ValueError:
        is_local = host == "localhost" or host.endswith(".localhost")
    if is_local:
        return "loopback"
    return "" if settings.PUBLIC_URL else "not_set"


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


@with_spool
def spool_label(request: HttpRequest, spool: Spool) -> HttpResponse:
    """The label on paper: code, what it is, how it may be dried, and the QR code of the spool's page."""
    size = request.GET.get("size", "small")
    base = settings.PUBLIC_URL or f"{request.scheme}://{request.get_host()}"
    address = codes.label_address(spool.code, base)
    return render(
        request,
        "spools/label.html",
        {
            "spool": spool,
            "code": codes.pretty(spool.code),
            "size": size if size in LABEL_SIZES else "small",
            "sizes": LABEL_SIZES,
            "address": address,
            "address_caution": _address_caution(base),
            "qr": codes.qr_svg(address),
            # Of the spool itself: a place without a limit of its own stands for any dryer.
            "cap": compute_cap(spool, Place()),
            # For a dryer that is not known yet: a usual error of its set point.
            "dry_set_c": suggested_set_point_c(spool, Place()),
            "dry_hours": least_drying_hours(spool),
            "last_run": spool.drying_runs.filter(end__isnull=False).order_by("end").last(),
        },
    )
