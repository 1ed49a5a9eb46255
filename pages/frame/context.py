"""Context of every page's frame."""

from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject

from maintenance.reminders import queries


def count_due(request: HttpRequest) -> dict:
    """How many reminders are due that count for whoever is signed in; counted only when a page shows it."""
    return {"count_due": SimpleLazyObject(lambda: queries.count_due(request.user))}
