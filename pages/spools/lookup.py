"""From the code in an address to the spool that carries it."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _

from pages.spools.station import note_scan
from spools import codes
from spools.inventory.endings import find_ending
from spools.inventory.queries import find_by_code
from spools.models import Spool
from spools.refusals import refusal


def find_spool(text: str) -> Spool:
    """The spool that carries the code which was typed, scanned or opened; its feedstock comes with it.

    Raises ValidationError that says what is wrong with the code, or that no spool carries it.
    """
    code = codes.normalise(text)
    if (spool := find_by_code(code)) is None:
        raise refusal(
            "unknown_code",
            _(
                "{code} is well written, but no spool of this shop carries it. Look at the label again, or "
                "receive the spool."
            ).format(code=codes.pretty(code)),
        )
    return spool


# The name of the address that labels print.
PRINTED = "spool-printed"


def not_found_page(request: HttpRequest, text: str, error: ValidationError) -> HttpResponse:
    """The scan page with what is wrong with the code, as an answer that says "not found"."""
    context = {"typed": text[:80], "reason": error.messages[0], "code": error.code}
    return render(request, "spools/scan/not_found.html", context, status=404)


def with_spool(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """For pages under a spool's address: gives the view the spool for its code.

    The same page has one address: a code in capitals, with dashes or without the last slash leads to it.
    """

    @wraps(view)
    def page(request: HttpRequest, code: str, **arguments: Any) -> HttpResponse:
        try:
            spool = find_spool(code)
        except ValidationError as error:
            return not_found_page(request, code, error)
        match = request.resolver_match
        name = match.url_name if match else None
        page_name = "spool" if name in (None, PRINTED) else name
        address = reverse(page_name, args=[spool.code, *arguments.values()])
        if request.method == "GET" and name == PRINTED:
            note_scan(request, spool)
        if request.method in ("GET", "HEAD") and request.path != address:
            query = request.META.get("QUERY_STRING")
            return redirect(f"{address}?{query}" if query else address)
        return view(request, spool, **arguments)

    return page


def with_spool_in_use(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """with_spool for acts that a spool out of use does not take: its ending is shown, and how to take it back."""

    @wraps(view)
    def act(request: HttpRequest, spool: Spool, **arguments: Any) -> HttpResponse:
        if spool.ended_at is None:
            return view(request, spool, **arguments)
        context = {"spool": spool, "ending": find_ending(spool)}
        return render(request, "spools/ended.html", context, status=409 if request.method == "POST" else 200)

    return with_spool(act)
