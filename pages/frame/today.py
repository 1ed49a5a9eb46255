"""Today: what may be printed now and where, what could be later, what is due."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from maintenance import today as look
from maintenance.board.version import board_version


@login_required
def today(request: HttpRequest) -> HttpResponse:
    now = timezone.now()
    live = board_version()
    shop_today = look.build_today(now, request.user)
    # The frame need not count again what is listed here.
    context = {
        "today": shop_today,
        "now": now,
        "live": live,
        "count_due": sum(reminder.counts for reminder in shop_today.due),
    }
    if not shop_today.ready and not shop_today.later:
        context["first_steps"] = look.list_first_steps()
    return render(request, "frame/today.html", context)
