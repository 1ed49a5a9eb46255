"""What every page's frame shows."""

from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject

from maintenance import reminders


def due_count(request: HttpRequest) -> dict:
    """How many reminders are due; counted only when a page shows it to somebody who is signed in."""
    return {"due_count": SimpleLazyObject(reminders.due_count)}
