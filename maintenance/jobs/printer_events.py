"""Events of prints as facts: each is stored once, and the jobs of their prints follow."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.jobs.projection import PASSIVE, link_passive, project_print, retry_waiting
from maintenance.models import Printer, PrinterEvent
from spools.checks import lock_spool_facts, require_past_time
from spools.models import Place
from spools.refusals import list_reasons, refusal

State = PrinterEvent.State
# A difference of clocks within this is the way that the request took.
CLOCK_DIFFERENCE = timedelta(seconds=5)
KNOWN = "known"
PASSIVE_FOR = timedelta(days=30)
# Two events of one id are the same where these are. Their times may differ a little: a sender that corrects its clock
# compares it anew at each try.
CONTENT = ("print_key", "kind", "values")


@dataclass
class Reported:
    """An event as it was sent. printer: id or name. values: what its kind needs; errors: of its form, found before."""

    key: str
    printer: int | str
    print_key: str
    kind: str
    at: datetime | None
    sent_at: datetime | None = None
    values: dict[str, Any] = field(default_factory=dict)
    errors: list[dict[str, str]] = field(default_factory=list)


@dataclass
class Result:
    """What became of an event: recorded, known, waiting or refused. job, stage: as they stand after all events."""

    id: str
    result: str
    job: int | None = None
    stage: str | None = None
    errors: list[dict[str, str]] = field(default_factory=list)


def record_events(reported: Sequence[Reported], *, by: Any = None, token: Any = None) -> list[Result]:
    """Stores events and brings the jobs of their prints to them. Each print is a transaction of its own.

    token: with which they came. Returns a result for each, in their order. An event that was stored before changes
    nothing; one that cannot be refuses no other.
    """
    now = timezone.now()
    machines = Machines()
    results: list[Result | None] = [None] * len(reported)
    groups: dict[tuple[int, str], list[tuple[int, PrinterEvent]]] = {}
    for number, event in enumerate(reported):
        try:
            if event.errors and not (event.key and event.print_key):
                results[number] = Result(event.key, State.REFUSED, errors=event.errors)
                continue
            row = machines.build_row(event, now)
        except ValidationError as error:
            results[number] = Result(event.key, State.REFUSED, errors=event.errors or list_reasons(error))
            continue
        row.recorded_by, row.token = by, token
        groups.setdefault((row.printer_id, row.print_key), []).append((number, row))
    stored: dict[int, tuple[PrinterEvent, bool]] = {}
    # The first print of a machine first, so that the next one finds it free.
    for (_printer, print_key), rows in sorted(
        groups.items(), key=lambda item: min(row.at for _number, row in item[1])
    ):
        with transaction.atomic():
            lock_spool_facts()
            for number, row in rows:
                try:
                    stored[number] = _store(row)
                except ValidationError as error:
                    results[number] = Result(row.key, State.REFUSED, errors=list_reasons(error))
            kinds = {stored[number][0].kind for number, _ in rows if number in stored}
            (link_passive if kinds <= set(PASSIVE) else project_print)(rows[0][1].printer, print_key)
    if any(event.kind not in PASSIVE for event in reported):
        retry_waiting({printer for printer, _ in groups}, code="toolhead_busy")
    fresh = PrinterEvent.objects.select_related("job").in_bulk({row.pk for row, _ in stored.values()})
    for number, (row, is_new) in stored.items():
        results[number] = _build_result(fresh[row.pk], is_new)
    return [result for result in results if result is not None]


def prune_events(now: datetime) -> int:
    """Deletes old events that change no book. Returns how many."""
    old = PrinterEvent.objects.filter(recorded_at__lt=now - PASSIVE_FOR)
    return old.filter(Q(kind__in=PASSIVE) | Q(state=State.REFUSED)).delete()[0]


def _store(row: PrinterEvent) -> tuple[PrinterEvent, bool]:
    """The stored event, and whether it is new. Refused: another event with its id."""
    present = PrinterEvent.objects.filter(printer=row.printer, key=row.key).first()
    if present is None:
        row.save()
        return row, True
    same = all(getattr(present, name) == getattr(row, name) for name in CONTENT)
    if present.state != State.REFUSED and not same:
        raise refusal("id_reused", _("Another event has this id. Give each event its own."), "id")
    if present.state != State.REFUSED or (same and row.state == State.REFUSED):
        return present, False
    # What was refused is no fact: the right one takes its row.
    row.pk, row.recorded_at = present.pk, timezone.now()
    row.save(force_update=True)
    return row, True


def _build_result(row: PrinterEvent, is_new: bool) -> Result:
    result = row.state if row.state in (State.WAITING, State.REFUSED) else State.RECORDED if is_new else KNOWN
    if row.withdrawn_at is not None:
        result = KNOWN
    job = row.job
    return Result(row.key, result, job.pk if job else None, job.stage if job else None, row.errors)


class Machines:
    """Machines, their toolheads and places by id and by name, each read once for a request."""

    def __init__(self) -> None:
        self.printers = _index(Printer.objects.all())
        self.toolheads: dict[int, dict[str, Any]] = {}

    def find_printer(self, given: int | str) -> Printer:
        """The printer with this id or name. Refused: one that is not known."""
        printer = self.printers.get(_fold(given))
        if printer is None:
            raise refusal("unknown_printer", _("No printer has this id or name."), "printer")
        return printer

    def find_toolhead_id(self, printer: Printer, given: int | str) -> int:
        """The id of the toolhead with this id or name. Refused: one that the printer does not have."""
        if printer.pk not in self.toolheads:
            self.toolheads[printer.pk] = _index(printer.toolheads.all())
        head = self.toolheads[printer.pk].get(_fold(given))
        if head is None:
            raise refusal("other_printer", _("The printer has no such toolhead."), "toolhead")
        return head.pk

    def build_row(self, event: Reported, now: datetime) -> PrinterEvent:
        """The row of an event; one that cannot be has the state refused. Refused: one that no row can be of."""
        printer = self.find_printer(event.printer)
        at = event.at or now
        if event.sent_at is not None and abs(now - event.sent_at) > CLOCK_DIFFERENCE:
            at += now - event.sent_at
        row = PrinterEvent(
            printer=printer,
            key=event.key,
            print_key=event.print_key,
            kind=event.kind,
            at=at,
            sender_at=event.at or now,
            values=event.values,
            errors=event.errors,
        )
        try:
            if not event.errors:
                row.at = require_past_time(at)
                row.values = self._name_rows(printer, event.values)
        except ValidationError as error:
            row.errors = list_reasons(error)
        row.state = State.REFUSED if row.errors else State.WAITING
        return row

    def _name_rows(self, printer: Printer, values: Mapping[str, Any]) -> dict[str, Any]:
        """The values with the ids of the toolhead and the place that they name."""
        named = dict(values)
        if "toolhead" in named:
            named["toolhead"] = self.find_toolhead_id(printer, named["toolhead"])
        if "unload_to" in named:
            place = _index(Place.objects.filter(retired_at=None)).get(_fold(named["unload_to"]))
            if place is None:
                raise refusal("unknown_place", _("No place has this id or name."), "unload_to")
            named["unload_to"] = place.pk
        return named


def _index(rows: Iterable[Any]) -> dict[str, Any]:
    """Rows by their ids and names; a name stands before an id that reads like it."""
    listed = list(rows)
    return {str(row.pk): row for row in listed} | {_fold(row.name): row for row in listed}


def _fold(given: int | str) -> str:
    return str(given).strip().casefold()
