"""Readings of a place: recorded by hand or from a file, withdrawn, and corrected."""

from datetime import timedelta

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from pages.frame.forms import apply, post_data
from pages.places.forms import CorrectReadingForm, ReadingForm, ReadingsFileForm, WithdrawReadingsForm
from spools.air.climate import record_readings
from spools.air.csv_import import read_csv
from spools.air.reading_corrections import correct_reading, withdraw_readings
from spools.models import Place, Reading, ReadingWithdrawal
from spools.refusals import refusal

SHOWN_TYPED, SHOWN_WITHDRAWALS = 10, 10


def place_readings(request: HttpRequest, pk: int) -> HttpResponse:
    """Readings from a file, or one by hand: the button names the form that was sent."""
    place = get_object_or_404(Place, pk=pk)
    by_file = "by_file" in request.POST
    file_form = ReadingsFileForm(*((request.POST, request.FILES) if by_file else ()))
    reading_form = ReadingForm(request.POST if request.method == "POST" and not by_file else None)
    counts: list[tuple[int, int]] = []

    def record_file(data: dict) -> None:
        rows = read_csv(data["file"])
        counts.append(record_readings(place, rows, origin=Reading.Origin.FILE, by=request.user))

    def record_one(data: dict) -> None:
        row = (data["when"] or timezone.now(), data["temperature_c"], data["rh_pct"])
        added, present = record_readings(place, [row], origin=Reading.Origin.HAND, by=request.user)
        if not added:
            raise refusal(
                "reading_present",
                _(
                    "There is a reading of that time already. Correct it on the page of the place, or give another time."
                ),
                "at",
            )
        counts.append((added, present))

    if apply(file_form, record_file) or apply(reading_form, record_one):
        added, present = counts[0]
        sentences = [ngettext("{count} reading added.", "{count} readings added.", added).format(count=added)]
        if present:
            sentences.append(_("Left unchanged because there already: {count}.").format(count=present))
        messages.success(request, " ".join(sentences))
        return redirect("place", pk)
    context = {"place": place, "reading_form": reading_form, "file_form": file_form}
    return render(request, "places/readings.html", context)


def readings_withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    """Withdraw the readings of a place in a span of time."""
    place = get_object_or_404(Place, pk=pk)
    # The minute of the form's end counts whole.
    form = WithdrawReadingsForm(post_data(request), initial=request.GET.dict())
    if apply(
        form,
        lambda data: withdraw_readings(
            place,
            data["start"],
            min(data["end"] + timedelta(minutes=1) - timedelta(microseconds=1), timezone.now()),
            reason=data["reason"],
            by=request.user,
        ),
    ):
        messages.success(
            request, _("The readings are withdrawn. What rests on them is computed without them.")
        )
        return redirect("place", pk)
    return render(request, "places/withdraw_readings.html", {"place": place, "form": form})


def reading_correct(request: HttpRequest, pk: int, reading_pk: int) -> HttpResponse:
    """The right values for a wrong reading, which is withdrawn."""
    place = get_object_or_404(Place, pk=pk)
    reading = get_object_or_404(Reading.objects.exclude(origin__in=Reading.SENT), place=place, pk=reading_pk)
    initial = {"temperature_c": reading.temperature_c, "rh_pct": reading.rh_pct}
    form = CorrectReadingForm(post_data(request), initial=initial)
    if apply(form, lambda data: correct_reading(reading, **data, by=request.user)):
        messages.success(request, _("The right values count. What rests on them is computed again."))
        return redirect("place", pk)
    return render(request, "places/correct_reading.html", {"place": place, "form": form, "reading": reading})


def correction_context(place: Place) -> dict:
    """The last readings that people recorded, and the last withdrawals."""
    typed = Reading.objects.filter(place=place, origin=Reading.Origin.HAND).select_related("recorded_by")
    withdrawals = ReadingWithdrawal.objects.filter(place=place).select_related("recorded_by", "withdrawn_by")
    return {
        "typed": typed.order_by("-at")[:SHOWN_TYPED],
        "withdrawals": withdrawals.order_by("-recorded_at")[:SHOWN_WITHDRAWALS],
    }
