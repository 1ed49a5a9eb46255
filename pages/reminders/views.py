"""Reminders: due, put off, and what they ended with; each with its history."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from maintenance.models import Reminder
from maintenance.reminders import lifecycle as rules
from maintenance.reminders.links import link_of, with_subjects
from pages.frame.forms import carried_out, sent
from pages.machines.forms import SNOOZE_DAYS, DoneForm, EndedForm, KindForm, SnoozeForm
from spools.wording import format_time

PER_PAGE = 30
EARLIER = 10


@login_required
def reminders(request: HttpRequest) -> HttpResponse:
    """What is due, and below it what is put off; of one kind, where there are many."""
    now, form = timezone.now(), KindForm(request.GET)
    due, put_off = rules.open_reminders(now, request.user), rules.put_off(now)
    if form.is_valid() and (kind := form.cleaned_data["kind"]):
        due, put_off = due.filter(kind=kind), put_off.filter(kind=kind)
    page = Paginator(with_subjects(due), PER_PAGE).get_page(request.GET.get("page"))
    context = {"form": form, "page": page, "query": _query(request), "due": [_row(one) for one in page]}
    if page.number == page.paginator.num_pages:
        context["snoozed"] = [_row(one) for one in with_subjects(put_off)]
    return render(request, "reminders/list.html", context)


def _row(reminder: Reminder) -> dict:
    address, says = link_of(reminder)
    return {"reminder": reminder, "address": address, "says": says}


@login_required
def reminders_ended(request: HttpRequest) -> HttpResponse:
    """All that ended, the latest first; of one kind, or of one cause."""
    form = EndedForm(request.GET)
    found = _ended()
    if form.is_valid():
        asked = {name: value for name, value in form.cleaned_data.items() if value}
        found = found.filter(**asked)
    page = Paginator(found, PER_PAGE).get_page(request.GET.get("page"))
    return render(request, "reminders/ended.html", {"form": form, "page": page, "query": _query(request)})


def _query(request: HttpRequest) -> QueryDict:
    """What the address says besides the page."""
    query = request.GET.copy()
    query.pop("page", None)
    return query


def _ended() -> QuerySet[Reminder]:
    return Reminder.objects.filter(ended_at__isnull=False).select_related("ended_by").order_by("-ended_at")


@login_required
def reminder(request: HttpRequest, pk: int) -> HttpResponse:
    """One reminder with all that happened to it, and earlier ones of the same cause."""
    found = get_object_or_404(with_subjects(Reminder.objects.all()), pk=pk)
    earlier = _ended().filter(cause=found.cause, raised_at__lt=found.raised_at)
    context = {"row": _row(found), "events": found.events.select_related("by"), "earlier": earlier[:EARLIER]}
    return render(request, "reminders/detail.html", context)


def _ended_already(request: HttpRequest, reminder: Reminder) -> HttpResponse:
    """The answer to a second tap or an old page: what the reminder ended with."""
    assert reminder.ended_at is not None
    messages.error(
        request, f"This reminder ended on {format_time(reminder.ended_at)} already. Nothing was saved."
    )
    return redirect("reminder", reminder.pk)


@login_required
def reminder_snooze(request: HttpRequest, pk: int) -> HttpResponse:
    reminder = get_object_or_404(with_subjects(Reminder.objects.all()), pk=pk)
    if reminder.ended_at is not None:
        return _ended_already(request, reminder)
    form = SnoozeForm(sent(request), reminder=reminder)

    def put_off(data: dict) -> None:
        kept = rules.snooze(reminder, form.until_when(), data.get("amount"), by=request.user)
        messages.success(request, f"{reminder}: put off {rules.until_when(kept)}.")

    if carried_out(form, put_off):
        return redirect("reminders")
    context = {"form": form, "row": _row(reminder), "choices": SNOOZE_DAYS.items()}
    context["counted"] = rules.counted(reminder)
    return render(request, "reminders/snooze.html", context)


@login_required
def reminder_done(request: HttpRequest, pk: int) -> HttpResponse:
    reminder = get_object_or_404(with_subjects(Reminder.objects.all()), pk=pk)
    if reminder.ended_at is not None:
        return _ended_already(request, reminder)
    form = DoneForm(sent(request))
    if carried_out(form, lambda data: rules.done(reminder, data["note"], by=request.user)):
        messages.success(request, f"{reminder}: done.")
        return redirect("reminders")
    context = {"form": form, "row": _row(reminder), "settled": reminder.kind in rules.SETTLED_ONCE}
    return render(request, "reminders/done.html", context)
