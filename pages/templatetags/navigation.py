"""The links of every page's frame."""

from dataclasses import dataclass
from typing import Any

from django import template
from django.urls import reverse
from django.utils.translation import gettext_lazy

register = template.Library()
MAIN = ["today", "scan", "spools", "drying"]
REST = [
    "machines",
    "jobs",
    "troubles",
    "stock",
    "usage",
    "materials",
    "places",
    "reminders",
    "status",
    "words",
]
TEXTS = {
    "today": gettext_lazy("Today"),
    "scan": gettext_lazy("Scan"),
    "spools": gettext_lazy("Spools"),
    "drying": gettext_lazy("Drying"),
    "machines": gettext_lazy("Machines"),
    "jobs": gettext_lazy("Jobs"),
    "troubles": gettext_lazy("Trouble"),
    "stock": gettext_lazy("Stock"),
    "usage": gettext_lazy("Usage"),
    "materials": gettext_lazy("Materials"),
    "places": gettext_lazy("Places"),
    "reminders": gettext_lazy("Reminders"),
    "status": gettext_lazy("Status"),
    "words": gettext_lazy("Words"),
}
# Pages that belong to a link and do not lie under its address.
BELONG = {
    "spools": ["/s/"],
    "materials": ["/feedstocks/"],
    "places": ["/scales/", "/sensors/"],
    "machines": ["/toolheads/", "/fittings/", "/flow-checks/", "/service/", "/parts/", "/bore-readings/"],
}


@dataclass(frozen=True)
class Link:
    name: str
    text: str
    address: str
    current: bool


def link(name: str, path: str) -> Link:
    address = reverse(name)
    under = [address, *BELONG.get(name, [])]
    current = path == address if address == "/" else any(path.startswith(start) for start in under)
    return Link(name, str(TEXTS[name]), address, current)


@register.inclusion_tag("partials/navigation.html", takes_context=True)
def navigation(context: template.Context) -> dict[str, Any]:
    path = context["request"].path if "request" in context else ""
    return {
        "main": [link(name, path) for name in MAIN],
        "rest": [link(name, path) for name in REST],
        "due": context.get("count_due"),
        "user": context["user"],
        "csrf_token": context.get("csrf_token"),
    }
