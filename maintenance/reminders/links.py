"""The page where a reminder is dealt with: the form that resolves it if there is one, else its subject."""

from datetime import datetime
from functools import cache
from typing import Any

from django.db.models import BigIntegerField, DateTimeField, OuterRef, QuerySet, Subquery
from django.urls import reverse
from django.utils.translation import gettext as _

from background.prepared import Parameter, PreparedRows
from maintenance.models import Fitting, Loading, Reminder, Toolhead
from maintenance.reminders.queries import open_reminders, snoozed_reminders

Kind = Reminder.Kind
_REST = ("part_kind", "feedstock", "feedstock__maker", "place")
SUBJECTS = ("spool", "part__kind", "toolhead__printer", "printer", *_REST)


def with_subjects(reminders: QuerySet[Reminder]) -> QuerySet[Any]:
    """With the rows and ids that link_of reads, in the same query."""
    return _with_ids(reminders).select_related(*SUBJECTS)


def load_due(count: int, now: datetime, user: Any) -> list[Any]:
    """The first of open_reminders, with their subjects."""
    return _prepare_due(count).run(now=now, user=user.pk)


def load_snoozed(now: datetime) -> list[Any]:
    """Those of snoozed_reminders, with their subjects."""
    return _SNOOZED.run(now=now)


@cache
def _prepare_due(count: int) -> PreparedRows[Any]:
    due = open_reminders(_NOW, Parameter("user", BigIntegerField()))
    return PreparedRows(lambda: _with_ids(due)[:count], *_JOINED)


_NOW = Parameter("now", DateTimeField())
_JOINED = (*("spool", "part", "part__kind", "toolhead", "toolhead__printer", "printer"), *_REST)
_SNOOZED = PreparedRows(lambda: _with_ids(snoozed_reminders(_NOW)), *_JOINED)


def _with_ids(reminders: QuerySet[Reminder]) -> QuerySet[Any]:
    fittings = Fitting.objects.valid().filter(part=OuterRef("part"), end=None)
    loadings = Loading.objects.present().filter(toolhead=OuterRef("toolhead"))
    return reminders.annotate(
        fitting_id=Subquery(fittings.values("pk")[:1]), loading_id=Subquery(loadings.values("pk")[:1])
    )


def link_of(reminder: Any) -> tuple[str, str]:
    """The path and the act in a word, for the page where a reminder of with_subjects is dealt with.

    Both are "" if it has no subject.
    """
    code = "" if reminder.spool is None else reminder.spool.code
    match reminder.kind:
        case Kind.DRY if code:
            return reverse("spool-dry", args=[code]), _("Dry")
        case Kind.WEIGH if code:
            return reverse("spool-weigh", args=[code]), _("Weigh")
        case Kind.DRYER_UP:
            return reverse("reminder-complete", args=[reminder.pk]), _("It is turned up")
        case Kind.DRYING_DONE if reminder.place is not None:
            return reverse("drying-finish", args=[reminder.place_id]), _("Take out")
        case Kind.REGENERATE if reminder.place is not None:
            return reverse("place-desiccant", args=[reminder.place_id]), _("Record")
        case Kind.FLOW_CHECK if reminder.toolhead is not None:
            return _flow_check(reminder.toolhead, reminder.loading_id)
        case Kind.FLOW_CHART if reminder.toolhead is not None:
            return reverse("toolhead-flow", args=[reminder.toolhead_id]), _("Look")
        case Kind.CLEAN | Kind.SERVICE if reminder.printer is not None:
            return _service(reminder), _("Record")
    return _subject(reminder)


def _flow_check(toolhead: Toolhead, loading_id: int | None) -> tuple[str, str]:
    """With the spool that is on the toolhead; without one that comes first."""
    if loading_id is not None:
        return f"{reverse('flow-check-new')}?loading={loading_id}", _("Plan")
    return reverse("spools"), _("Load")


def _service(reminder: Reminder) -> str:
    """The form with the service filled in; a condition of it begins with "service:" and the id of its kind."""
    kind = f"?kind={reminder.condition.split(':')[1]}"
    toolhead = f"&toolhead={reminder.toolhead_id}" if reminder.toolhead_id else ""
    return reverse("service-done", args=[reminder.printer_id]) + kind + toolhead


def _subject(reminder: Any) -> tuple[str, str]:
    """The page of what it is about, or the form that ends it."""
    if reminder.fitting_id is not None:
        return reverse("part-replace", args=[reminder.fitting_id]), _("Replace")
    if reminder.spool is not None:
        code = reminder.spool.code
        return reverse("spool", args=[code]), _("Look")
    if reminder.toolhead is not None:
        return reverse("machine", args=[reminder.toolhead.printer_id]), _("Look")
    if reminder.part_kind is not None:
        return reverse("stock-add") + f"?kind={reminder.part_kind_id}", _("Receive")
    if reminder.feedstock is not None:
        return reverse("spool-receive") + f"?feedstock={reminder.feedstock_id}", _("Receive")
    if reminder.place is not None:
        return reverse("place", args=[reminder.place_id]), _("Look")
    return "", ""
