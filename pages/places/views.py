"""Places: where spools can be and what the air is like there."""

from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from pages.frame.forms import apply, post_data
from pages.frame.notices import notify_result
from pages.places.boxes import box_context
from pages.places.charts import SHOWN, draw_box, draw_humidity, draw_temperature
from pages.places.forms import PlaceForm, ReadingForm, ReadingsFileForm
from pages.places.readings import correction_context
from pages.places.salt_checks import salt_check_context
from spools.air import climate
from spools.air.dry_box import BoxNow, box_now
from spools.air.salt_checks import load_hygrometers
from spools.inventory.assumptions import save_place
from spools.inventory.retiring import bring_back_place, retire_place
from spools.models import Place, Reading, Stay


def places(request: HttpRequest) -> HttpResponse:
    all_places = list(
        Place.objects.select_related("room").annotate(spools=Count("stays", filter=Q(stays__end=None)))
    )
    air = climate.climates_now(all_places)
    rows = [(place, air[place.pk]) for place in all_places if place.retired_at is None]
    retired = [place for place in all_places if place.retired_at is not None]
    return render(request, "places/list.html", {"rows": rows, "retired": retired})


def place(request: HttpRequest, pk: int) -> HttpResponse:
    place = get_object_or_404(Place.objects.select_related("room"), pk=pk)
    stays = Stay.objects.filter(place=place, end=None).select_related(
        "spool__feedstock__polymer", "spool__feedstock__maker"
    )
    box = box_now(place) if place.kind == Place.Kind.DRY_BOX else None
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
        messages.success(request, f"{form.instance} is added.")
        return redirect("place", form.instance.pk)
    return render(request, "places/form.html", {"form": form})


def place_edit(request: HttpRequest, pk: int) -> HttpResponse:
    place = get_object_or_404(Place, pk=pk)
    form = PlaceForm(post_data(request), instance=place)
    if apply(form, lambda data: save_place(form.instance)):
        messages.success(request, f"{place} is changed. The moisture of its spools is computed again.")
        return redirect("place", pk)
    return render(request, "places/form.html", {"form": form, "place": get_object_or_404(Place, pk=pk)})


@require_POST
def place_retire(request: HttpRequest, pk: int) -> HttpResponse:
    place = get_object_or_404(Place, pk=pk)
    done = f"{place} is out of use. It is listed under the other places."
    notify_result(request, lambda: retire_place(place), done)
    return redirect("place", pk)


@require_POST
def place_bring_back(request: HttpRequest, pk: int) -> HttpResponse:
    place = get_object_or_404(Place, pk=pk)
    notify_result(request, lambda: bring_back_place(place), f"{place} is in use again.")
    return redirect("place", pk)


def _draw_air(place: Place, box: BoxNow | None) -> dict:
    """The charts of the last readings, and of the computed air of a dry box."""
    now = timezone.now()
    readings = Reading.objects.filter(place=place, at__gte=now - SHOWN, at__lte=now)
    rows = list(readings.values_list("at", "temperature_c", "rh_pct"))
    charts = [draw_temperature(rows, now)] if rows else []
    if box is not None:
        corrected = load_hygrometers([place.pk])[place.pk].correct(rows) if rows else []
        return {"charts": charts, "box_chart": draw_box(box, corrected), "shown_days": SHOWN.days}
    if rows:
        charts.insert(0, draw_humidity(rows, now))
    last = None if rows else Reading.objects.filter(place=place).last()
    return {"charts": charts, "last_reading": last, "shown_days": SHOWN.days}
