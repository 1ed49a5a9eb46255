"""Reminders: due, put off, and what they ended with."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db.models import Prefetch, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone

from maintenance import reminders as rules
from maintenance.models import Fitting, Reminder
from spools.checks import shown
from spools.labels import pretty
from spools.pages.forms import carried_out, sent

from .forms_shop import SNOOZE_DAYS, DoneForm, SnoozeForm

SHOWN_ENDED = 50


@login_required
def reminders(request: HttpRequest) -> HttpResponse:
    now = timezone.now()
    due = _with_subjects(rules.open_reminders(now))
    found = _with_subjects(Reminder.objects.all())
    snoozed = found.filter(ended_at=None, snoozed_until__gt=now).order_by("snoozed_until")
    ended = found.filter(ended_at__isnull=False).order_by("-ended_at")[:SHOWN_ENDED]
    return render(
        request,
        "reminders/list.html",
        {
            "due": [_row(one) for one in due],
            "snoozed": [_row(one) for one in snoozed],
            "ended": [_row(one) for one in ended],
        },
    )


def _with_subjects(found: QuerySet[Reminder]) -> QuerySet[Reminder]:
    fitted = Fitting.objects.filter(end=None)
    return found.select_related(
        "spool", "part__kind", "toolhead__printer", "printer", "part_kind", "feedstock__maker", "place"
    ).prefetch_related(Prefetch("part__fittings", fitted))


def _row(reminder: Reminder) -> dict:
    """A reminder with the page where it is dealt with, and what the link to it says."""
    address, says = "", ""
    fitted = list(reminder.part.fittings.all()) if reminder.part else []
    if reminder.kind == Reminder.Kind.FLOW_CHECK:
        address, says = reverse("flow-check-new"), "Plan the check"
    elif reminder.kind == Reminder.Kind.FLOW_CHART and reminder.toolhead is not None:
        address, says = reverse("toolhead-flow", args=[reminder.toolhead_id]), "See the chart"
    elif fitted:
        address, says = reverse("part-replace", args=[fitted[0].pk]), "Replace it"
    elif reminder.kind in (Reminder.Kind.DRYER_UP, Reminder.Kind.DRYING_DONE):
        address, says = reverse("drying"), "See the dryers"
    elif reminder.printer is not None:
        address, says = reverse("service", args=[reminder.printer_id]), f"Service of {reminder.printer}"
    elif reminder.spool is not None:
        code = reminder.spool.code
        address, says = reverse("spool", args=[code]), f"See spool {pretty(code)}"
    elif reminder.toolhead is not None:
        address, says = reverse("machine", args=[reminder.toolhead.printer_id]), f"See {reminder.toolhead}"
    elif reminder.part_kind is not None:
        address, says = reverse("stock-add") + f"?kind={reminder.part_kind_id}", "Receive some"
    elif reminder.feedstock is not None:
        address, says = reverse("feedstock", args=[reminder.feedstock_id]), f"See {reminder.feedstock}"
    elif reminder.place is not None:
        address, says = reverse("place", args=[reminder.place_id]), f"See {reminder.place}"
    return {"reminder": reminder, "address": address, "says": says}


@login_required
def reminder_snooze(request: HttpRequest, pk: int) -> HttpResponse:
    reminder = get_object_or_404(_with_subjects(Reminder.objects.filter(ended_at=None)), pk=pk)
    form = SnoozeForm(sent(request))
    if carried_out(form, lambda data: rules.snooze(reminder, form.until_when())):
        until = timezone.localtime(form.until_when())
        messages.success(request, f"{reminder}: put off until {shown(until)}.")
        return redirect("reminders")
    context = {"form": form, "row": _row(reminder), "choices": SNOOZE_DAYS.items()}
    return render(request, "reminders/snooze.html", context)


@login_required
def reminder_done(request: HttpRequest, pk: int) -> HttpResponse:
    reminder = get_object_or_404(_with_subjects(Reminder.objects.filter(ended_at=None)), pk=pk)
    form = DoneForm(sent(request))
    if carried_out(form, lambda data: rules.done(reminder, data["note"], by=request.user)):
        messages.success(request, f"{reminder}: done.")
        return redirect("reminders")
    return render(request, "reminders/done.html", {"form": form, "row": _row(reminder)})
