"""Today: what may be printed now and where, what could be later, what is due."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from maintenance import today as look


@login_required
def today(request: HttpRequest) -> HttpResponse:
    now = timezone.now()
    return render(request, "today/today.html", {"today": look.today(now), "now": now})
