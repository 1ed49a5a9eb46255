"""Places: where spools can be and what the air is like there."""

from datetime import datetime, timedelta
from itertools import groupby

from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from pages.frame.forms import apply, post_data
from pages.frame.notices import notify_result
from pages.places.boxes import box_context
from pages.places.charts import draw_line_chart
from pages.places.forms import PlaceForm, ReadingForm, ReadingsFileForm
from pages.places.readings import correction_context
from pages.places.salt_checks import salt_check_context
from spools.air import climate
from spools.air.dry_box import box_now
from spools.inventory.assumptions import save_place
from spools.inventory.retiring import bring_back_place, retire_place
from spools.models import Place, Reading, Stay

SHOWN_DAYS = 7
MOST_POINTS = 400


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
            **_recent_readings(place),
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


def _recent_readings(place: Place) -> dict:
    """Charts and a table by day of the last readings; empty without any."""
    until = timezone.now()
    since = until - timedelta(days=SHOWN_DAYS)
    rows = list(
        Reading.objects.filter(place=place, at__gte=since, at__lte=until).values_list(
            "at", "temperature_c", "rh_pct"
        )
    )
    if not rows:
        return {"last_reading": Reading.objects.filter(place=place).last(), "shown_days": SHOWN_DAYS}
    drawn = rows[:: -(-len(rows) // MOST_POINTS)]
    gap = climate.BELIEVED_FOR
    return {
        "charts": [
            ("Humidity, % RH", draw_line_chart([(at, rh) for at, _, rh in drawn], since, until, gap)),
            ("Temperature, °C", draw_line_chart([(at, t) for at, t, _ in drawn], since, until, gap)),
        ],
        "days": [_day(list(group)) for _, group in groupby(rows, lambda row: timezone.localdate(row[0]))],
        "shown_days": SHOWN_DAYS,
    }


def _day(rows: list[tuple[datetime, float, float]]) -> dict:
    temperatures = [row[1] for row in rows]
    humidities = [row[2] for row in rows]
    return {
        "day": rows[0][0],
        "count": len(rows),
        "t_low": min(temperatures),
        "t_mean": sum(temperatures) / len(rows),
        "t_high": max(temperatures),
        "rh_low": min(humidities),
        "rh_mean": sum(humidities) / len(rows),
        "rh_high": max(humidities),
    }
