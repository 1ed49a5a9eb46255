"""The audit trail: who did what at the doors, to the catalogue and to the machines."""

from typing import Any

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext_lazy

from access.models import AuditEntry

PER_PAGE = 100
WORDS = {
    "signed_in": gettext_lazy("signed in"),
    "signed_out": gettext_lazy("signed out"),
    "sign_in_failed": gettext_lazy("wrong password"),
    "signed_out_everywhere": gettext_lazy("signed out everywhere"),
    "added": gettext_lazy("added"),
    "changed": gettext_lazy("changed"),
    "deleted": gettext_lazy("deleted"),
}


def audit(request: HttpRequest) -> HttpResponse:
    action, user_name = request.GET.get("action", ""), request.GET.get("user", "")
    entries = AuditEntry.objects.all()
    if action in WORDS:
        entries = entries.filter(action=action)
    if user_name and "\0" not in user_name:
        entries = entries.filter(user_name=user_name[:150])
    page = Paginator(entries, PER_PAGE).get_page(request.GET.get("page"))
    rows = [(entry, WORDS.get(entry.action, entry.action), _changes(entry)) for entry in page]
    query = request.GET.copy()
    query.pop("page", None)
    context = {
        "page": page,
        "rows": rows,
        "words": WORDS,
        "action": action,
        "user_name": user_name,
        "query": query,
    }
    return render(request, "frame/audit.html", context)


def _changes(entry: AuditEntry) -> list[tuple[str, Any, Any]]:
    """Column, value before and value after."""
    names = sorted({*entry.before, *entry.after})
    return [(name, entry.before.get(name, "–"), entry.after.get(name, "–")) for name in names]
