"""Today: what may be printed now and where, what could be later, what is due."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from maintenance import today as look
from maintenance.board.version import board_version
from maintenance.reminders.links import load_due
from maintenance.reminders.queries import count_due

DUE_SHOWN = 9


def today(request: HttpRequest) -> HttpResponse:
    now = timezone.now()
    live = board_version()
    shop_today = look.build_today(now, request.user)
    context = {
        "today": shop_today,
        "due": load_due(DUE_SHOWN, now, request.user),
        "due_in_all": count_due(now=now),
        "now": now,
        "live": live,
    }
    if not shop_today.ready and not shop_today.later:
        context["first_steps"] = look.list_first_steps()
    return render(request, "frame/today.html", context)
