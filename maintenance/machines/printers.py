"""A printer or a toolhead comes into the shop, goes out of use, and may come back."""

from datetime import datetime
from typing import TypeVar

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from maintenance.changes import SUBJECTS, facts_changed
from maintenance.models import Job, Loading, Printer, Reservation, Toolhead
from spools.checks import require_past_time
from spools.codes import pretty
from spools.edits.versions import count_edit
from spools.inventory.assumptions import save_place
from spools.inventory.retiring import set_printer_place
from spools.models import Place
from spools.refusals import refusal
from spools.wording import format_time

MachineT = TypeVar("MachineT", Printer, Toolhead)


@transaction.atomic
def add_printer(
    printer: Printer, toolhead: Toolhead, *, assumed_temperature_c: float, assumed_rh_pct: float
) -> Printer:
    """Adds a printer with its place (where its spools stay) and its first toolhead.

    The climate is what is assumed there while nothing is read.
    Raises ValidationError on fields that cannot be.
    """
    printer.place = save_place(
        Place(
            name=printer.name,
            kind=Place.Kind.PRINTER,
            assumed_temperature_c=assumed_temperature_c,
            assumed_rh_pct=assumed_rh_pct,
        )
    )
    save_printer(printer)
    add_toolhead(printer, toolhead)
    return printer


@transaction.atomic
def save_printer(printer: Printer) -> Printer:
    """Stores a new or corrected printer; its place has its name. Refused: fields that cannot be, a taken name."""
    count_edit(printer)
    printer.full_clean()
    printer.save()
    set_printer_place(printer.place, name=printer.name, retired=printer.retired_at is not None)
    return printer


@transaction.atomic
def save_toolhead(toolhead: Toolhead) -> Toolhead:
    """Stores a new or corrected toolhead. Refused: fields that cannot be, fewer slots than spools are in."""
    count_edit(toolhead)
    toolhead.full_clean()
    if toolhead._state.adding:
        toolhead.save(force_insert=True)
        return toolhead
    beyond = Loading.objects.present().filter(toolhead=toolhead, slot__gt=toolhead.slots)
    if (loading := beyond.select_related("spool").first()) is not None:
        raise refusal(
            "slot_taken",
            _("{code} is in slot {slot}. Take it off first.").format(
                code=pretty(loading.spool.code), slot=loading.slot
            ),
            "slots",
        )
    # The board's generation may have been raised since the row was read.
    names = {field.name for field in Toolhead._meta.concrete_fields if not field.primary_key}
    toolhead.save(update_fields=names - {"board_generation", "retired_at"})
    return toolhead


def add_toolhead(printer: Printer, toolhead: Toolhead) -> Toolhead:
    """Adds a toolhead to a printer. Raises ValidationError on fields that cannot be."""
    toolhead.printer = printer
    return save_toolhead(toolhead)


@transaction.atomic
def retire(printer: Printer, *, at: datetime | None = None) -> Printer:
    """A printer is out of use: no job, verdict or reminder asks for it. Its history and parts stay.

    Refused: twice, while a spool is loaded on it or a job prints or is planned there, before the last loading ended.
    """
    printer = _lock(printer)
    printer.retired_at = _require_idle(printer, Q(printer=printer), at)
    printer.save(update_fields=["retired_at"])
    set_printer_place(printer.place, name=printer.name, retired=True)
    facts_changed(*SUBJECTS)
    return printer


@transaction.atomic
def bring_back(printer: Printer) -> Printer:
    """A printer that was out of use prints again. Refused: one that is in use."""
    printer = _lock(printer)
    _require_retired(printer)
    printer.retired_at = None
    printer.save(update_fields=["retired_at"])
    set_printer_place(printer.place, name=printer.name, retired=False)
    facts_changed(*SUBJECTS)
    return printer


@transaction.atomic
def retire_toolhead(toolhead: Toolhead, *, at: datetime | None = None) -> Toolhead:
    """A toolhead alone is out of use, as a printer with retire."""
    toolhead = _lock(toolhead)
    toolhead.retired_at = _require_idle(toolhead, Q(pk=toolhead.pk), at)
    toolhead.save(update_fields=["retired_at"])
    facts_changed(*SUBJECTS)
    return toolhead


@transaction.atomic
def bring_back_toolhead(toolhead: Toolhead) -> Toolhead:
    """A toolhead that was out of use prints again. Refused: one that is in use."""
    toolhead = _lock(toolhead)
    _require_retired(toolhead)
    toolhead.retired_at = None
    toolhead.save(update_fields=["retired_at"])
    facts_changed(*SUBJECTS)
    return toolhead


def _lock(row: MachineT) -> MachineT:
    rows = type(row)._default_manager.select_for_update(no_key=True, of=("self",))
    return rows.get(pk=row.pk)


def _require_retired(row: Printer | Toolhead) -> None:
    if row.retired_at is None:
        raise refusal("in_use_already", _("{row} is in use already.").format(row=row))


def _require_idle(row: Printer | Toolhead, its_toolheads: Q, at: datetime | None) -> datetime:
    """The time from which it is out of use. Refused: one that is so already, or in use then."""
    if row.retired_at is not None:
        raise refusal(
            "out_of_use_already",
            _("{row} is out of use since {time} already.").format(row=row, time=format_time(row.retired_at)),
        )
    toolheads = Toolhead.objects.filter(its_toolheads)
    ahead = (
        Reservation.objects.filter(toolhead__in=toolheads)
        .select_related("job")
        .order_by("job__start")
        .first()
    )
    if ahead is not None:
        remedy = _("Job “{job}” is planned on it. Withdraw or move that plan first.")
        if ahead.job.stage == Job.Stage.PRINTING:
            remedy = _("Job “{job}” prints on it. Record its end first.")
        raise refusal("job_ahead", remedy.format(job=ahead.job))
    loaded = Loading.objects.present().filter(toolhead__in=toolheads).select_related("spool").first()
    if loaded is not None:
        raise refusal(
            "printer_loaded",
            _("{code} is loaded on {row}. Take it off first.").format(
                code=pretty(loaded.spool.code), row=row
            ),
        )
    at = require_past_time(at)
    last = Loading.objects.filter(end__gt=at, toolhead__in=toolheads).order_by("end").last()
    if last is not None and last.end is not None:
        raise refusal(
            "toolhead_taken_then",
            _("A spool was on it until {time}. Give a later time.").format(time=format_time(last.end)),
            "at",
        )
    return at
