"""The part of a place's page about the salt checks of its hygrometer."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _

from pages.frame.forms import apply, post_data
from pages.places.forms import SaltCheckForm
from spools.air.salt_checks import describe_check, record_salt_check
from spools.models import Place

SHOWN_CHECKS = 10


def salt_check_context(place: Place) -> dict:
    """The last checks, the state of the hygrometer after them, and the form for the next."""
    checks = list(place.salt_checks.select_related("withdrawn_by").order_by("-at", "-id")[:SHOWN_CHECKS])
    last = next((check for check in checks if check.withdrawn_at is None), None)
    return {
        "salt_checks": [(check, describe_check(check)) for check in checks],
        "hygrometer": None if last is None else describe_check(last),
        "salt_form": SaltCheckForm(auto_id="salt_%s"),
    }


def place_salt_check(request: HttpRequest, pk: int) -> HttpResponse:
    """Record how much the hygrometer of a place read beside wet table salt."""
    place = get_object_or_404(Place, pk=pk)
    form = SaltCheckForm(post_data(request))

    def record(data: dict) -> None:
        form.check = record_salt_check(
            place,
            data["rh_pct"],
            data["temperature_c"],
            hours=data["hours"],
            at=data["when"],
            by=request.user,
        )

    if apply(form, record):
        sentence = _("The hygrometer of {place} {result}.")
        messages.success(request, sentence.format(place=place, result=describe_check(form.check).sentence))
        return redirect("place", pk)
    return render(request, "places/salt_check.html", {"place": place, "form": form})
