"""Recording the service of machines."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance import limits
from maintenance.changes import SERVICE, facts_changed, toolheads_changed
from maintenance.models import Printer, ServiceEntry, ServiceKind, StockEntry, Toolhead
from maintenance.parts.consumables import return_to_stock, take_for_service
from spools.checks import require_past_time, require_within
from spools.edits.versions import count_edit
from spools.facts import follows_withdrawal
from spools.refusals import refusal


@transaction.atomic
def record_service(
    kind: ServiceKind,
    *,
    printer: Printer | None = None,
    toolhead: Toolhead | None = None,
    at: datetime | None = None,
    note: str = "",
    by: Any = None,
) -> ServiceEntry:
    """Records a service of a toolhead or a printer: its count starts again, and what it uses leaves the stock.

    Refused: the wrong one of the two, a kind that this machine does not need.
    """
    at = require_past_time(at)
    printer, toolhead = _subject(kind, printer, toolhead)
    list(Printer.objects.select_for_update(no_key=True).filter(pk=printer.pk))
    if len(note) > 200:
        raise refusal("too_long", _("Give at most 200 characters."), "note")
    entry = ServiceEntry.objects.create(
        kind=kind, printer=printer, toolhead=toolhead, at=at, note=note, recorded_by=by
    )
    take_for_service(entry)
    _count_changed(entry)
    return entry


def _subject(
    kind: ServiceKind, printer: Printer | None, toolhead: Toolhead | None
) -> tuple[Printer, Toolhead | None]:
    if kind.subject == ServiceKind.Subject.TOOLHEAD:
        if toolhead is None:
            raise refusal(
                "toolhead_missing",
                _("Say on which toolhead the {kind} was done.").format(kind=kind),
                "toolhead",
            )
        return toolhead.printer, toolhead
    if toolhead is not None:
        raise refusal(
            "whole_printer",
            _("The {kind} is done on the whole printer. Give that instead.").format(kind=kind),
            "toolhead",
        )
    if printer is None:
        raise refusal(
            "printer_missing", _("Say on which printer the {kind} was done.").format(kind=kind), "printer"
        )
    if kind.subject == ServiceKind.Subject.ENCLOSED and not printer.enclosed:
        raise refusal(
            "no_enclosure",
            _("{printer} has no enclosure and needs no {kind}.").format(printer=printer, kind=kind),
            "printer",
        )
    return printer, None


@follows_withdrawal(ServiceEntry)
def count_on(entry: ServiceEntry) -> None:
    """The count goes on as if the service had not been done; what it used is in stock again."""
    return_to_stock(StockEntry.objects.filter(service=entry), entry)
    _count_changed(entry)


def _count_changed(entry: ServiceEntry) -> None:
    toolheads_changed(Q(printer=entry.printer))
    facts_changed(SERVICE)


@transaction.atomic
def save_kind(kind: ServiceKind) -> ServiceKind:
    """Saves a new or corrected service; a new one counts from now on.

    Raises ValidationError on fields that cannot be.
    """
    if kind.pk is None and kind.added_at is None:
        kind.added_at = timezone.now()
    count_edit(kind)
    kind.full_clean()
    require_within("interval", kind.interval, *limits.INTERVAL[:2], kind.get_unit_display())
    kind.save()
    toolheads_changed()
    facts_changed(SERVICE)
    return kind
