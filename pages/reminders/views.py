"""Reminders that are due, snoozed or ended, each with its history."""

from itertools import chain

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from maintenance.board.version import board_version
from maintenance.models import Reminder
from maintenance.reminders import lifecycle
from maintenance.reminders.conditions.moisture import find_damp_spools
from maintenance.reminders.groups import KINDS, build_row, group_due
from maintenance.reminders.links import load_due, load_snoozed, with_subjects
from maintenance.reminders.queries import count_by_kind, count_due_by_kind, open_reminders, snoozed_reminders
from maintenance.reminders.wording import explain
from pages.frame.forms import apply, post_data
from pages.frame.notices import notify_refused
from pages.reminders.forms import (
    SNOOZE_DAYS,
    SNOOZE_SEVERAL_DAYS,
    CompleteForm,
    EndedForm,
    GroupForm,
    SnoozeForm,
    SnoozeSeveralForm,
)
from spools.wording import format_time

PER_PAGE = 30
EARLIER = 10


def reminders(request: HttpRequest) -> HttpResponse:
    """Due reminders in groups of what is to be done, and below the last of them the snoozed ones; ?group= narrows them.

    The same number of queries however many there are.
    """
    live, now, form = board_version(), timezone.now(), GroupForm(request.GET)
    due, snoozed = open_reminders(now, request.user), snoozed_reminders(now)
    group = form.cleaned_data["group"] if form.is_valid() else ""
    if group:
        due, snoozed = due.filter(kind__in=KINDS[group]), snoozed.filter(kind__in=KINDS[group])
    counts = count_by_kind(due) if group else count_due_by_kind(now)
    paginator = Paginator(with_subjects(due), PER_PAGE)
    paginator.count = sum(counts.values())
    page = paginator.get_page(request.GET.get("page"))
    is_first = page.number == 1 and not group
    page.object_list = load_due(PER_PAGE, now, request.user) if is_first else list(page.object_list)
    context = {
        "form": form,
        "page": page,
        "query": _query(request),
        "group": group,
        "groups": group_due(page, counts),
        "choices": SNOOZE_SEVERAL_DAYS.items(),
        "damp": find_damp_spools().count(),
        "now": now,
        "live": live,
    }
    if page.has_next():
        context["snoozed_count"] = snoozed.count()
    else:
        waiting = with_subjects(snoozed) if group else load_snoozed(now)
        context["snoozed"] = [build_row(reminder) for reminder in waiting]
    return render(request, "reminders/list.html", context)


def reminders_ended(request: HttpRequest) -> HttpResponse:
    """Ended reminders, the latest first; of one kind, or of one condition."""
    form = EndedForm(request.GET)
    ended = _ended_reminders()
    if form.is_valid():
        filters = {name: value for name, value in form.cleaned_data.items() if value}
        ended = ended.filter(**filters)
    page = Paginator(ended, PER_PAGE).get_page(request.GET.get("page"))
    return render(request, "reminders/ended.html", {"form": form, "page": page, "query": _query(request)})


def _query(request: HttpRequest) -> QueryDict:
    """The query of the address without the page."""
    query = request.GET.copy()
    query.pop("page", None)
    return query


def _ended_reminders() -> QuerySet[Reminder]:
    return Reminder.objects.filter(ended_at__isnull=False).select_related("ended_by").order_by("-ended_at")


def reminder(request: HttpRequest, pk: int) -> HttpResponse:
    """One reminder with its events, and earlier ones of the same condition."""
    row = get_object_or_404(with_subjects(Reminder.objects.all()), pk=pk)
    earlier = _ended_reminders().filter(condition=row.condition, opened_at__lt=row.opened_at)
    context = {"row": build_row(row), "events": row.events.select_related("by"), "earlier": earlier[:EARLIER]}
    context["why"] = explain(row.reason)
    return render(request, "reminders/detail.html", context)


def _redirect_ended(request: HttpRequest, reminder: Reminder) -> HttpResponse:
    """The answer to a second tap or an old page."""
    assert reminder.ended_at is not None
    messages.error(
        request,
        _("This reminder ended on {time} already. Nothing was saved.").format(
            time=format_time(reminder.ended_at)
        ),
        extra_tags="ended_already",
    )
    return redirect("reminder", reminder.pk)


def reminder_snooze(request: HttpRequest, pk: int) -> HttpResponse:
    reminder = get_object_or_404(with_subjects(Reminder.objects.all()), pk=pk)
    if reminder.ended_at is not None:
        return _redirect_ended(request, reminder)
    form = SnoozeForm(post_data(request), reminder=reminder)

    def snooze(data: dict) -> None:
        snoozed = lifecycle.snooze(reminder, form.until_time(), data.get("amount"), by=request.user)
        until = lifecycle.describe_snooze(snoozed).sentence
        messages.success(request, _("{reminder}: snoozed {until}.").format(reminder=reminder, until=until))

    if apply(form, snooze):
        return redirect("reminders")
    context = {"form": form, "row": build_row(reminder), "choices": SNOOZE_DAYS.items()}
    amount = lifecycle.describe_amount(reminder)
    context["amount"] = "" if amount is None else amount.sentence
    return render(request, "reminders/snooze.html", context)


@require_POST
def reminders_snooze(request: HttpRequest) -> HttpResponse:
    """Several at once: those that are ticked, or all due ones of a group."""
    form = SnoozeSeveralForm(request.POST)

    def snooze(data: dict) -> None:
        chosen = data["reminders"]
        if data["group"]:
            chosen = open_reminders(user=request.user).filter(kind__in=KINDS[data["group"]])
        count = lifecycle.snooze_several(chosen, form.until_time(), by=request.user)
        duration = SNOOZE_SEVERAL_DAYS[data["days"]]
        messages.success(request, _("{count} snoozed for {duration}.").format(count=count, duration=duration))

    if not apply(form, snooze):
        notify_refused(request, ValidationError(list(chain.from_iterable(form.errors.as_data().values()))))
    return redirect("reminders")


def reminder_complete(request: HttpRequest, pk: int) -> HttpResponse:
    reminder = get_object_or_404(with_subjects(Reminder.objects.all()), pk=pk)
    if reminder.ended_at is not None:
        return _redirect_ended(request, reminder)
    form = CompleteForm(post_data(request))
    if apply(form, lambda data: lifecycle.complete(reminder, data["note"], by=request.user)):
        messages.success(request, _("{reminder}: completed.").format(reminder=reminder))
        return redirect("reminders")
    context = {
        "form": form,
        "row": build_row(reminder),
        "once_per_event": reminder.kind in lifecycle.ONCE_PER_EVENT,
    }
    return render(request, "reminders/complete.html", context)
