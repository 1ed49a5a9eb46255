"""Reminders: due, put off, and what they ended with."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from maintenance import reminders as rules
from maintenance.models import Reminder
from maintenance.reminder_links import link_of, with_subjects
from spools.checks import shown
from spools.pages.forms import carried_out, sent

from .forms_shop import SNOOZE_DAYS, DoneForm, SnoozeForm

SHOWN_ENDED = 50


@login_required
def reminders(request: HttpRequest) -> HttpResponse:
    now = timezone.now()
    due = with_subjects(rules.open_reminders(now))
    found = with_subjects(Reminder.objects.all())
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


def _row(reminder: Reminder) -> dict:
    address, says = link_of(reminder)
    return {"reminder": reminder, "address": address, "says": says}


@login_required
def reminder_snooze(request: HttpRequest, pk: int) -> HttpResponse:
    reminder = get_object_or_404(with_subjects(Reminder.objects.filter(ended_at=None)), pk=pk)
    form = SnoozeForm(sent(request))
    if carried_out(form, lambda data: rules.snooze(reminder, form.until_when())):
        until = timezone.localtime(form.until_when())
        messages.success(request, f"{reminder}: put off until {shown(until)}.")
        return redirect("reminders")
    context = {"form": form, "row": _row(reminder), "choices": SNOOZE_DAYS.items()}
    return render(request, "reminders/snooze.html", context)


@login_required
def reminder_done(request: HttpRequest, pk: int) -> HttpResponse:
    reminder = get_object_or_404(with_subjects(Reminder.objects.filter(ended_at=None)), pk=pk)
    form = DoneForm(sent(request))
    if carried_out(form, lambda data: rules.done(reminder, data["note"], by=request.user)):
        messages.success(request, f"{reminder}: done.")
        return redirect("reminders")
    return render(request, "reminders/done.html", {"form": form, "row": _row(reminder)})
