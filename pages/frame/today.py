"""Today: what may be printed now and where, what could be later, what is due."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from maintenance import today as look


@login_required
def today(request: HttpRequest) -> HttpResponse:
    now = timezone.now()
    found = look.today(now, request.user)
    # The frame need not count again what is listed here.
    context = {"today": found, "now": now, "count_due": sum(reminder.counts for reminder in found.due)}
    if not found.ready and not found.later:
        context["first_steps"] = look.first_steps()
    return render(request, "frame/today.html", context)
