"""The part of a place's page for dry boxes: air, desiccant, and the form for a charge."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _

from pages.frame.forms import apply, post_data
from pages.places.forms import DesiccantForm
from spools.air.dry_box import SHOWN, BoxNow, explain_missing, list_missing, put_desiccant
from spools.air.dry_box_outlook import LEAK_FACTOR
from spools.models import DesiccantCharge, Place
from spools.physics.desiccant import DESICCANTS
from spools.physics.drybox import OPENING_SHARE
from spools.statements import Statement

SHOWN_CHARGES = 10


def box_context(place: Place, box: BoxNow | None) -> dict:
    """For the page of a dry box; ``box`` is None where its air is not computed."""
    recorded = list(
        place.charges.select_related("recorded_by", "withdrawn_by").order_by("-at", "-id")[:SHOWN_CHARGES]
    )
    charges = [charge for charge in recorded if charge.withdrawn_at is None]
    context = {
        "missing": explain_missing(place) if list_missing(place) else None,
        "charges": charges,
        "recorded": recorded,
        "charge_form": DesiccantForm(initial=_usual_next_charge(charges)),
        "box": box,
    }
    if box is None:
        return context
    kind = DesiccantCharge.Kind(box.charge.kind)
    return context | {
        "state": _state(box),
        "desiccant": DESICCANTS[kind],
        "desiccant_name": kind.label,
        "advice": Statement(f"dry_box_regeneration.{kind.value}"),
        "leak_factor": LEAK_FACTOR,
        "needed_g": None if box.needed_g is None else float(f"{box.needed_g:.2g}"),
        "opening_share_pct": 100 * OPENING_SHARE,
        "hours": [_hours(days) for days in box.days],
        "regenerated": [(row, _hours(row.days)) for row in box.regenerated],
    }


def _usual_next_charge(charges: list[DesiccantCharge]) -> dict:
    """Regenerating what is in it is the usual next charge."""
    if not charges or not charges[0].dry_mass_g:
        return {}
    last = charges[0]
    return {"kind": last.kind, "dry_mass_g": last.dry_mass_g, "condition": "regenerated"}


def _hours(days: float | None) -> float | None:
    return None if days is None else 24 * days


def _state(box: BoxNow) -> str:
    if box.over_limit:
        return "hold"
    soon = box.days.soonest is not None and box.days.soonest < SHOWN.days
    return "caution" if soon or box.findings else "clear"


def place_desiccant(request: HttpRequest, pk: int) -> HttpResponse:
    """Record that desiccant was put in, regenerated or taken out."""
    place = get_object_or_404(Place.objects.filter(kind=Place.Kind.DRY_BOX), pk=pk)
    form = DesiccantForm(post_data(request))

    def record(data: dict) -> None:
        form.charge = put_desiccant(
            place,
            data["kind"],
            data["dry_mass_g"],
            condition=data["condition"],
            regenerated_c=data["regenerated_c"],
            at=data["when"],
            note=data["note"],
            by=request.user,
        )

    if apply(form, record):
        messages.success(request, _("{place}: {charge}.").format(place=place, charge=form.charge))
        return redirect("place", pk)
    return render(request, "places/desiccant.html", {"place": place, "form": form})
