"""Scales that send their values: the last ones, and the masses that wait for a person."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from maintenance.models import Scale, ScaleWeighing
from maintenance.scales.scales import save_scale
from maintenance.scales.weighings import find_candidates, set_aside, settle_weighing
from maintenance.scales.wording import explain_held
from pages.frame.forms import apply, post_data, with_point
from pages.frame.notices import notify_result
from pages.frame.versions import VersionedForm
from pages.spools.lookup import find_spool
from pages.spools.station import find_station
from spools.models import Place, Spool

SHOWN_HELD = 50


class ScaleForm(VersionedForm):
    place = forms.ModelChoiceField(
        Place.objects.in_use(),
        required=False,
        label=gettext_lazy("Place where it stands"),
        help_text=gettext_lazy(
            "A weighing without a code is of the spool that was scanned last at this place."
        ),
    )

    class Meta:
        model = Scale
        fields = ["name", "step_g", "place", "toolhead", "slot", "tare_g"]
        formfield_callback = with_point
        labels = {
            "name": gettext_lazy("Name"),
            "step_g": gettext_lazy("Smallest step, g"),
            "tare_g": gettext_lazy("Shown without a spool, g"),
            "toolhead": gettext_lazy("Or the toolhead whose spool holder it carries"),
            "slot": gettext_lazy("Slot of the toolhead, from 1"),
        }
        help_texts = {
            "tare_g": gettext_lazy("The holder or tray, where the scale does not subtract it itself."),
            "toolhead": gettext_lazy(
                "A scale that sends a value at least once a minute weighs each print, and the loaded spool after it."
            ),
            "slot": "",
        }


@dataclass(frozen=True)
class HeldMass:
    """A mass that waits: the question, and the spools to choose from."""

    row: ScaleWeighing
    question: str
    candidates: list[Spool]


@dataclass(frozen=True)
class ScaleRow:
    """A scale and the last value that it sent."""

    scale: Scale
    last_g: float | None = None
    last_at: datetime | None = None


def scales(request: HttpRequest) -> HttpResponse:
    waiting = ScaleWeighing.objects.exclude(held="").select_related(
        "scale__place", "scale__toolhead", "spool"
    )
    rows = []
    for scale in Scale.objects.select_related("place", "toolhead__printer"):
        rows.append(_describe(scale))
    context = {
        "rows": rows,
        "held": [HeldMass(row, explain_held(row.held), find_candidates(row)) for row in waiting[:SHOWN_HELD]],
        "more": max(0, waiting.count() - SHOWN_HELD),
        "station": find_station(request),
    }
    return render(request, "spools/scales/list.html", context)


def _describe(scale: Scale) -> ScaleRow:
    weighing, minute = scale.weighings.first(), scale.minutes.last()
    if minute is not None and (weighing is None or weighing.at < minute.at):
        second = max(minute.values_g, key=int)
        return ScaleRow(scale, minute.values_g[second], minute.at + timedelta(seconds=int(second)))
    return ScaleRow(scale, weighing.mass_g, weighing.at) if weighing else ScaleRow(scale)


def scale_new(request: HttpRequest) -> HttpResponse:
    return _edit(request, None)


def scale_edit(request: HttpRequest, pk: int) -> HttpResponse:
    return _edit(request, get_object_or_404(Scale, pk=pk))


def _edit(request: HttpRequest, scale: Scale | None) -> HttpResponse:
    form = ScaleForm(post_data(request), instance=scale)
    if apply(form, lambda data: save_scale(form.instance)):
        messages.success(request, _("Saved: {name}.").format(name=form.instance.name))
        return redirect("scales")
    return render(request, "spools/scales/form.html", {"form": form, "scale": scale})


@require_POST
def scale_held(request: HttpRequest, pk: int) -> HttpResponse:
    """spool: code of the spool whose mass it is; without one it is no weighing of a spool."""
    row = get_object_or_404(ScaleWeighing, pk=pk)
    code = request.POST.get("spool")
    if code is None:
        notify_result(request, lambda: set_aside(row), _("Set aside: it is no weighing of a spool."))
    else:
        notify_result(
            request,
            lambda: settle_weighing(row, find_spool(code), by=request.user),
            _("The weighing is in the books."),
        )
    return redirect("scales")
