"""The sensors: for which place each speaks, how it is doing, what it sent that is no reading, and their broker."""

from itertools import groupby
from typing import Any

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_POST

from pages.frame.forms import WhenField, apply, post_data
from pages.frame.notices import notify_result
from pages.places.topic_rules import broker_context
from spools.air.sensors.acts import ADMITTED, admit_values, leave_out_values, place_sensor
from spools.air.sensors.overview import load_sensors
from spools.models import HeldValue, Place, Sensor
from spools.refusals import refusal

PER_PAGE, SHOWN_HELD = 50, 200


class PlaceSensorForm(forms.Form):
    place = forms.ModelChoiceField(
        Place.objects.in_use(),
        required=False,
        label=gettext_lazy("Speaks for"),
        empty_label=gettext_lazy("no place"),
    )
    when = WhenField(
        label=gettext_lazy("Since"),
        help_text=gettext_lazy("Empty: now. Values that it sent since then become readings of the place."),
    )


def sensors(request: HttpRequest) -> HttpResponse:
    """All sensors, first those that need a look, and the broker."""
    rows = load_sensors(timezone.now())
    page = Paginator(rows, PER_PAGE).get_page(request.GET.get("page"))
    return render(
        request, "places/sensors.html", {"page": page, "rows": page.object_list, **broker_context()}
    )


def sensor(request: HttpRequest, pk: int) -> HttpResponse:
    """One sensor: its places so far, its last values, and those that are no readings."""
    sensor = get_object_or_404(Sensor, pk=pk)
    row = load_sensors(timezone.now(), [sensor])[0]
    placements = sensor.placements.select_related("place", "withdrawn_by").order_by("-start", "-id")
    held = HeldValue.objects.filter(sensor=sensor, left_out_at=None).order_by("reason", "-at", "-id")
    groups = [
        _describe_group(list(values))
        for _reason, values in groupby(held[:SHOWN_HELD], lambda value: value.reason)
    ]
    context = {
        "row": row,
        "sensor": sensor,
        "placements": placements,
        "groups": groups,
        "form": PlaceSensorForm(),
    }
    return render(request, "places/sensor.html", context)


def sensor_place(request: HttpRequest, pk: int) -> HttpResponse:
    """Choose the place for which a sensor speaks, from a time on."""
    sensor = get_object_or_404(Sensor, pk=pk)
    row = load_sensors(timezone.now(), [sensor])[0]
    form = PlaceSensorForm(post_data(request), initial={"place": row.place})
    if apply(form, lambda data: place_sensor(sensor, data["place"], start=data["when"], by=request.user)):
        messages.success(request, _describe_placement(sensor, form.cleaned_data["place"]))
        return redirect("sensor", pk)
    return render(request, "places/sensor_place.html", {"sensor": sensor, "row": row, "form": form})


@require_POST
def sensor_held(request: HttpRequest, pk: int) -> HttpResponse:
    """Values that were set aside count after all, or are shown no more: the button names which."""
    sensor = get_object_or_404(Sensor, pk=pk)
    chosen = [int(text) for text in request.POST.getlist("value") if text.isascii() and text.isdecimal()]
    held = HeldValue.objects.filter(sensor=sensor, pk__in=chosen[:SHOWN_HELD], left_out_at=None)

    def act() -> None:
        if not held:
            raise refusal("no_values", _("Choose at least one value."))
        if "admit" in request.POST:
            admit_values(held, by=request.user)
        else:
            leave_out_values(held)

    count = held.count()
    if "admit" in request.POST:
        done = ngettext("{count} value counts now.", "{count} values count now.", count).format(count=count)
    else:
        done = ngettext("{count} value is left out.", "{count} values are left out.", count).format(
            count=count
        )
    notify_result(request, act, done)
    return redirect("sensor", pk)


def _describe_group(values: list[HeldValue]) -> dict[str, Any]:
    first = values[0]
    return {
        "reason": first.reason,
        "title": first.get_reason_display(),
        "values": values,
        "may_admit": first.reason in ADMITTED,
        "may_leave_out": first.reason != HeldValue.Reason.NO_PARTNER,
    }


def _describe_placement(sensor: Sensor, place: Place | None) -> str:
    if place is None:
        return _("{sensor} speaks for no place; its values wait.").format(sensor=sensor)
    return _("{sensor} speaks for {place}.").format(sensor=sensor, place=place)
