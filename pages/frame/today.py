"""Today: the machines, what may be printed now and where, what becomes ready, what is due."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from maintenance import today as look
from maintenance.board.version import board_version
from maintenance.reminders.groups import group_due
from maintenance.reminders.links import load_due
from maintenance.reminders.queries import count_due_by_kind

# The most urgent ones are grouped; a group counts the others.
DUE_LOADED = 30
# Rows of a list before the rest, which opens by a tap.
ROWS_SHOWN = 6


def today(request: HttpRequest) -> HttpResponse:
    now = timezone.now()
    live = board_version()
    shop_today = look.build_today(now, request.user)
    context = {
        "today": shop_today,
        "ready_lists": _split(shop_today.ready),
        "later_lists": _split(shop_today.later),
        "due": group_due(load_due(DUE_LOADED, now, request.user), count_due_by_kind(now)),
        "now": now,
        "live": live,
    }
    if not shop_today.ready and not shop_today.later:
        context["first_steps"] = look.list_first_steps()
    return render(request, "frame/today.html", context)


def _split(rows: list[look.Row]) -> tuple[list[look.Row], list[look.Row]]:
    """The rows that are shown, and the rest; one more would not be worth a tap."""
    shown = ROWS_SHOWN if len(rows) > ROWS_SHOWN + 1 else len(rows)
    return rows[:shown], rows[shown:]
