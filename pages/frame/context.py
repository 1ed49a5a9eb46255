"""What every page's frame shows."""

from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject

from maintenance.reminders import lifecycle


def due_count(request: HttpRequest) -> dict:
    """How many reminders are due that count for whoever is signed in; counted only when a page shows it."""
    return {"due_count": SimpleLazyObject(lambda: lifecycle.due_count(request.user))}
