"""Where a reminder is dealt with."""

from django.db.models import Prefetch, QuerySet
from django.urls import reverse

from spools.labels import pretty

from .models import Fitting, Reminder


def with_subjects(found: QuerySet[Reminder]) -> QuerySet[Reminder]:
    """With all that link_of looks at, in two queries."""
    fitted = Fitting.objects.filter(end=None)
    return found.select_related(
        "spool", "part__kind", "toolhead__printer", "printer", "part_kind", "feedstock__maker", "place"
    ).prefetch_related(Prefetch("part__fittings", fitted))


def link_of(reminder: Reminder) -> tuple[str, str]:
    """The page where a reminder is dealt with, as a path, and what the link to it says; "" for none."""
    address, says = "", ""
    fitted = list(reminder.part.fittings.all()) if reminder.part else []
    if reminder.kind == Reminder.Kind.FLOW_CHECK:
        address, says = reverse("flow-check-new"), "Plan the check"
    elif reminder.kind == Reminder.Kind.FLOW_CHART and reminder.toolhead is not None:
        address, says = reverse("toolhead-flow", args=[reminder.toolhead_id]), "See the chart"
    elif fitted:
        address, says = reverse("part-replace", args=[fitted[0].pk]), "Replace it"
    elif reminder.kind in (Reminder.Kind.DRYER_UP, Reminder.Kind.DRYING_DONE):
        address, says = reverse("drying"), "See the dryers"
    elif reminder.printer is not None:
        address, says = reverse("service", args=[reminder.printer_id]), f"Service of {reminder.printer}"
    elif reminder.spool is not None:
        code = reminder.spool.code
        address, says = reverse("spool", args=[code]), f"See spool {pretty(code)}"
    elif reminder.toolhead is not None:
        address, says = reverse("machine", args=[reminder.toolhead.printer_id]), f"See {reminder.toolhead}"
    elif reminder.part_kind is not None:
        address, says = reverse("stock-add") + f"?kind={reminder.part_kind_id}", "Receive some"
    elif reminder.feedstock is not None:
        address, says = reverse("feedstock", args=[reminder.feedstock_id]), f"See {reminder.feedstock}"
    elif reminder.place is not None:
        address, says = reverse("place", args=[reminder.place_id]), f"See {reminder.place}"
    return address, says
