"""Places: where spools can be and what the air is like there."""

from dataclasses import dataclass

from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, pgettext_lazy
from django.views.decorators.http import require_POST

from maintenance.reminders.conditions.sensors import late_sensors
from pages.charts.sparkline import Sparkline
from pages.frame.forms import apply, post_data
from pages.frame.notices import notify_result
from pages.places.boxes import box_context
from pages.places.charts import BOX_SHOWN, SHOWN, draw_box, draw_humidity, draw_sparklines, draw_temperature
from pages.places.forms import PlaceForm, ReadingForm, ReadingsFileForm
from pages.places.readings import correction_context
from pages.places.salt_checks import salt_check_context
from spools.air import climate
from spools.air.dry_box import BoxNow, boxes_now
from spools.air.salt_checks import load_hygrometers
from spools.inventory.assumptions import save_place
from spools.inventory.retiring import bring_back_place, retire_place
from spools.models import Place, Reading, Stay

# How the air of a place is known.
ORIGINS = {
    "reading": gettext_lazy("measured"),
    "computed": gettext_lazy("computed"),
    "assumed": gettext_lazy("assumed"),
    "dryer": pgettext_lazy("air", "drying"),
}


@dataclass(frozen=True)
class PlaceRow:
    """A place in the list: its air now, its humidity of late, and what is wrong with it."""

    place: Place
    climate: climate.Climate
    spark: Sparkline | None
    is_silent: bool

    @property
    def is_over_limit(self) -> bool:
        """Whether it is a dry box above its limit."""
        return self.place.kind == Place.Kind.DRY_BOX and self.climate.rh_pct > self.place.limit_rh_pct

    @property
    def origin(self) -> str:
        """How its air is known, in a word."""
        return str(ORIGINS[self.climate.origin])


def places(request: HttpRequest) -> HttpResponse:
    now = timezone.now()
    all_places = list(
        Place.objects.select_related("room").annotate(spools=Count("stays", filter=Q(stays__end=None)))
    )
    air = climate.climates_now(all_places, now)
    in_use = [place for place in all_places if place.retired_at is None]
    sparks, silent = draw_sparklines(in_use, now), {late.place.pk for late in late_sensors(now)}
    rows = [PlaceRow(place, air[place.pk], sparks.get(place.pk), place.pk in silent) for place in in_use]
    retired = [place for place in all_places if place.retired_at is not None]
    return render(request, "places/list.html", {"rows": rows, "retired": retired})


def place(request: HttpRequest, pk: int) -> HttpResponse:
    place = get_object_or_404(Place.objects.select_related("room"), pk=pk)
    stays = Stay.objects.filter(place=place, end=None).select_related(
        "spool__feedstock__polymer", "spool__feedstock__maker"
    )
    now = timezone.now()
    box = boxes_now([place], now, BOX_SHOWN).get(place.pk) if place.kind == Place.Kind.DRY_BOX else None
    if box is not None and box.measured_rh_pct is None:
        air = climate.describe_computed(box.temperature_c, box.computed_rh_pct, box.charge)
    else:
        air = climate.climate_at(place)
    return render(
        request,
        "places/detail.html",
        {
            "place": place,
            "climate": air,
            "stays": stays,
            "reading_form": ReadingForm(),
            "file_form": ReadingsFileForm(),
            **salt_check_context(place),
            **_draw_air(place, box),
            **correction_context(place),
            **(box_context(place, box) if place.kind == Place.Kind.DRY_BOX else {}),
        },
    )


def place_new(request: HttpRequest) -> HttpResponse:
    form = PlaceForm(post_data(request))
    if apply(form, lambda data: save_place(form.instance)):
        messages.success(request, _("{place} is added.").format(place=form.instance))
        return redirect("place", form.instance.pk)
    return render(request, "places/form.html", {"form": form})


def place_edit(request: HttpRequest, pk: int) -> HttpResponse:
    place = get_object_or_404(Place, pk=pk)
    form = PlaceForm(post_data(request), instance=place)
    if apply(form, lambda data: save_place(form.instance)):
        done = _("{place} is changed. The moisture of its spools is computed again.").format(place=place)
        messages.success(request, done)
        return redirect("place", pk)
    return render(request, "places/form.html", {"form": form, "place": get_object_or_404(Place, pk=pk)})


@require_POST
def place_retire(request: HttpRequest, pk: int) -> HttpResponse:
    place = get_object_or_404(Place, pk=pk)
    done = _("{place} is out of use. It is listed under the other places.").format(place=place)
    notify_result(request, lambda: retire_place(place), done)
    return redirect("place", pk)


@require_POST
def place_bring_back(request: HttpRequest, pk: int) -> HttpResponse:
    place = get_object_or_404(Place, pk=pk)
    done = _("{place} is in use again.").format(place=place)
    notify_result(request, lambda: bring_back_place(place), done)
    return redirect("place", pk)


def _draw_air(place: Place, box: BoxNow | None) -> dict:
    """The charts of the last readings, and of the computed air of a dry box."""
    now = timezone.now()
    readings = Reading.objects.filter(place=place, at__gte=now - BOX_SHOWN, at__lte=now).order_by("at")
    rows = list(readings.values_list("at", "temperature_c", "rh_pct"))
    recent = [row for row in rows if row[0] >= now - SHOWN]
    charts = [draw_temperature(recent, now)] if recent else []
    if box is not None:
        corrected = load_hygrometers([place.pk])[place.pk].correct(rows) if rows else []
        return {"charts": charts, "box_chart": draw_box(box, corrected), "shown_days": SHOWN.days}
    if recent:
        charts.insert(0, draw_humidity(recent, now))
    last = None if recent else Reading.objects.filter(place=place).last()
    return {"charts": charts, "last_reading": last, "shown_days": SHOWN.days}
