"""How far along machines are since each service was done: from jobs and entries, nothing is stored."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import chain
from typing import NamedTuple

from django.db.models import (
    Case,
    Count,
    Exists,
    F,
    IntegerField,
    Min,
    OuterRef,
    Q,
    QuerySet,
    Sum,
    When,
    Window,
)
from django.db.models.functions import RowNumber
from django.utils import timezone

from maintenance.models import JobUse, Printer, ServiceEntry, ServiceKind, Toolhead
from maintenance.parts.part_facts import RATE_PERIOD, SHORTEST_RATE_PERIOD
from maintenance.parts.wear_entries import filament_of
from maintenance.wear.abrasion import Filament, PrintUse
from maintenance.wear.intervals import ServiceProgress, units_of_print
from spools.models import Feedstock
from spools.statements import Statement

Unit = ServiceKind.Unit
DAY = timedelta(days=1)


@dataclass(frozen=True)
class ServiceStatus:
    """One service of one machine: what it is, where, when it was last done and how far along it is.

    count_start: when it was last done or added to the shop; None: at the first job.
    """

    kind: ServiceKind
    printer: Printer
    toolhead: Toolhead | None
    last: datetime | None
    count_start: datetime | None
    since: ServiceProgress

    @property
    def counted_since(self) -> Statement:
        """Where the count starts."""
        return count_start(self.last, self.count_start)

    def concerns(self, toolhead: Toolhead) -> bool:
        """Whether it is done on this toolhead or on its printer."""
        return self.printer.pk == toolhead.printer_id and self.toolhead in (None, toolhead)


def count_start(last: datetime | None, added: datetime | None) -> Statement:
    """Where a count starts: when the service was last done, else added to the shop, else at the first job."""
    if last is not None:
        return Statement("service.since_last", {"at": last.isoformat()})
    if added is not None:
        return Statement("service.since_added", {"at": added.isoformat()})
    return Statement("service.since_first_job")


class UseSum(NamedTuple):
    """Prints with one feedstock at one temperature through one toolhead, summed by the database.

    start: of the first. hours, mass_g: of all; toolhead_jobs, toolhead_hours, printer_jobs, printer_hours:
    the same prints counted once for a toolhead and once for a printer where a job takes several spools.
    """

    start: datetime
    nozzle_c: float
    feedstock_id: int
    hours: float
    mass_g: float
    toolhead_jobs: int
    toolhead_hours: float
    printer_jobs: int
    printer_hours: float


# A printer's id and that of one of its toolheads; None: the whole printer.
Subject = tuple[int, int | None]


@dataclass(frozen=True)
class PastUses:
    """The prints of each subject: those between the times at which counts start, and those since each service.

    times: in order. between: sums of the prints from a time to the next, each with the number of times before it;
    those before all times have number 0. earlier: the subjects of which those were not loaded, since no count
    reaches back to them. since_service: by service kind and subject.
    """

    times: list[datetime]
    between: dict[Subject, list[tuple[int, UseSum]]]
    earlier: set[Subject]
    since_service: dict[tuple[int, Subject], list[UseSum]]

    def since(self, subject: Subject, start: datetime | None) -> list[UseSum]:
        """The prints that began at one of the times or later; None: all."""
        first = 0 if start is None else self.times.index(start) + 1
        return [use for number, use in self.between.get(subject, []) if number >= first]

    def first(self, subject: Subject) -> datetime | None:
        """The start of the first print, or a time before all counts where it is not loaded."""
        if subject in self.earlier:
            return self.times[0] - timedelta.resolution
        return min((use.start for _, use in self.between.get(subject, [])), default=None)

    def feedstock_ids(self) -> set[int]:
        sums = [use for rows in self.between.values() for _, use in rows]
        return {use.feedstock_id for use in chain(sums, *self.since_service.values())}


def load_service_statuses(toolheads: Iterable[Toolhead], at: datetime | None = None) -> list[ServiceStatus]:
    """Every service in use of these toolheads (their printers loaded with them) and of their printers.

    One query where the shop has no services, else at most six however many machines. The database sums the
    prints since the last services, so neither the queries nor the rows grow with their number.
    """
    at = at or timezone.now()
    toolheads = list(toolheads)
    kinds = list(ServiceKind.objects.filter(in_use=True))
    if not kinds or not toolheads:
        return []
    printers = {toolhead.printer_id: toolhead.printer for toolhead in toolheads}
    last = _last_entries(kinds, printers, at)
    subjects = [
        (kind, *subject) for kind in kinds for subject in _subjects(kind, printers.values(), toolheads)
    ]
    never_done = {
        kind.added_at
        for kind, printer, toolhead in subjects
        if (kind.pk, _subject(printer, toolhead)) not in last
    }
    uses = _load_uses(printers, never_done, [pk for pk, _ in last.values()], at)
    feedstocks = Feedstock.objects.select_related("polymer", "filler").in_bulk(uses.feedstock_ids())
    filaments = {pk: filament_of(feedstock) for pk, feedstock in feedstocks.items()}
    statuses = []
    for kind, printer, toolhead in subjects:
        subject = _subject(printer, toolhead)
        _, done_at = last.get((kind.pk, subject), (None, None))
        count_start = done_at or _added_after_use(kind, uses.first(subject))
        since = _progress(kind, subject, str(toolhead or printer), uses, filaments, count_start, done_at, at)
        statuses.append(ServiceStatus(kind, printer, toolhead, done_at, count_start, since))
    return statuses


def _subject(printer: Printer, toolhead: Toolhead | None) -> Subject:
    return printer.pk, None if toolhead is None else toolhead.pk


def _subjects(
    kind: ServiceKind, printers: Iterable[Printer], toolheads: list[Toolhead]
) -> list[tuple[Printer, Toolhead | None]]:
    if kind.subject == ServiceKind.Subject.TOOLHEAD:
        return [(toolhead.printer, toolhead) for toolhead in toolheads]
    is_for_all = kind.subject == ServiceKind.Subject.PRINTER
    return [(printer, None) for printer in printers if is_for_all or printer.enclosed]


def _last_entries(
    kinds: Iterable[ServiceKind], printer_ids: Iterable[int], at: datetime
) -> dict[tuple[int, Subject], tuple[int, datetime]]:
    """(id, time) of the last entry of each kind and subject."""
    group = [F("kind"), F("printer"), F("toolhead")]
    newest_first = Window(RowNumber(), partition_by=group, order_by=[F("at").desc(), F("id").desc()])
    entries = ServiceEntry.objects.valid().filter(
        kind__in=list(kinds), printer__in=list(printer_ids), at__lte=at
    )
    last = entries.annotate(place=newest_first).filter(place=1).order_by()
    rows = last.values_list("pk", "at", "kind", "printer", "toolhead")
    return {(kind, (printer, toolhead)): (pk, done_at) for pk, done_at, kind, printer, toolhead in rows}


def _load_uses(
    printer_ids: Iterable[int], never_done: set[datetime | None], entry_ids: Iterable[int], at: datetime
) -> PastUses:
    """Prints between the times at which counts start, and since the entries. Three queries.

    never_done: when the services were added of which there is no entry; None: their counts start at the first
    print, and all prints are loaded.
    """
    printer_ids = list(printer_ids)
    times = sorted({at - RATE_PERIOD, *(time for time in never_done if time is not None)})
    number = Case(
        *(When(job__start__lt=time, then=n) for n, time in enumerate(times)),
        default=len(times),
        output_field=IntegerField(),
    )
    counted = JobUse.objects.filter(job__withdrawn_at=None, job__start__lte=at)
    between: dict[Subject, list[tuple[int, UseSum]]] = defaultdict(list)
    earlier: set[Subject] = set()
    of_printers = counted.filter(job__printer__in=printer_ids)
    if None not in never_done:
        before = counted.filter(toolhead=OuterRef("pk"), job__start__lt=times[0])
        rows = Toolhead.objects.filter(Exists(before), printer__in=printer_ids).values_list("printer", "pk")
        earlier = {subject for printer_id, pk in rows for subject in ((printer_id, pk), (printer_id, None))}
        of_printers = of_printers.filter(job__start__gte=times[0])
    numbered = of_printers.annotate(number=number)
    for n, printer_id, toolhead_id, *row in _sums(numbered, "number", "job__printer", "toolhead"):
        for subject in ((printer_id, toolhead_id), (printer_id, None)):
            between[subject].append((n, UseSum(*row)))
    entry = "job__printer__services"
    since_entries = counted.filter(
        Q(**{f"{entry}__toolhead": None}) | Q(**{f"{entry}__toolhead": F("toolhead")}),
        **{f"{entry}__in": list(entry_ids), f"{entry}__at__lte": F("job__start")},
    )
    since_service: dict[tuple[int, Subject], list[UseSum]] = defaultdict(list)
    group = [f"{entry}__kind", f"{entry}__printer", f"{entry}__toolhead"]
    for kind_id, printer_id, toolhead_id, *row in _sums(since_entries, *group):
        since_service[kind_id, (printer_id, toolhead_id)].append(UseSum(*row))
    return PastUses(times, between, earlier, since_service)


def _sums(uses: QuerySet[JobUse], *group: str) -> Iterable[tuple]:
    """Rows of the columns of a group and those of UseSum, by feedstock and temperature."""
    same_job = JobUse.objects.filter(job=OuterRef("job"))
    # By the columns of the unique index on job, toolhead and spool: others would read all uses of a toolhead.
    same_toolhead = same_job.filter(toolhead=OuterRef("toolhead"), spool__lt=OuterRef("spool"))
    uses = uses.annotate(
        first_on_printer=~Exists(same_job.filter(pk__lt=OuterRef("pk"))),
        first_on_toolhead=~Exists(same_toolhead),
    )
    hours, by = F("job__hours"), ["job__nozzle_c", "spool__feedstock"]
    sums = {
        "first": Min("job__start"),
        "hours": Sum(hours),
        "grams": Sum("mass_g"),
        "toolhead_jobs": Count("pk", filter=Q(first_on_toolhead=True)),
        "toolhead_hours": Sum(hours, filter=Q(first_on_toolhead=True), default=0.0),
        "printer_jobs": Count("pk", filter=Q(first_on_printer=True)),
        "printer_hours": Sum(hours, filter=Q(first_on_printer=True), default=0.0),
    }
    first, *later = sums
    rows = uses.values(*group, *by).annotate(**sums).order_by("first", *group, *by)
    return rows.values_list(*group, first, *by, *later)


def _added_after_use(kind: ServiceKind, first_print: datetime | None) -> datetime | None:
    """When the service was added, where the machine had printed before."""
    return kind.added_at if kind.added_at and first_print and first_print < kind.added_at else None


def _progress(
    kind: ServiceKind,
    subject: Subject,
    where: str,
    uses: PastUses,
    filaments: dict[int, Filament],
    count_start: datetime | None,
    done_at: datetime | None,
    at: datetime,
) -> ServiceProgress:
    first_print = uses.first(subject)

    def amount(sums: Iterable[UseSum]) -> float:
        is_whole_printer = subject[1] is None
        return sum((_amount(kind.unit, use, filaments, is_whole_printer) for use in sums), 0.0)

    if kind.unit == Unit.DAYS:
        used, per_day = max(0.0, (at - (count_start or first_print or at)) / DAY), 1.0
    else:
        is_done = done_at is not None
        used = amount(
            uses.since_service.get((kind.pk, subject), []) if is_done else uses.since(subject, count_start)
        )
        printed_for = at - first_print if first_print else RATE_PERIOD
        rate_days = min(RATE_PERIOD, max(SHORTEST_RATE_PERIOD, printed_for)) / DAY
        per_day = amount(uses.since(subject, at - RATE_PERIOD)) / rate_days
    return ServiceProgress(
        service=kind.name,
        where=where,
        unit=kind.unit,
        used=used,
        interval=kind.interval,
        per_day=per_day,
        recorded=done_at is not None,
        stops=kind.stops,
    )


def _amount(unit: str, use: UseSum, filaments: dict[int, Filament], whole_printer: bool) -> float:
    """The amount that prints add in a unit. Jobs with several spools count their hours and themselves once,
    their filament for each."""
    jobs, hours = use.toolhead_jobs, use.toolhead_hours
    if whole_printer:
        jobs, hours = use.printer_jobs, use.printer_hours
    if unit in (Unit.HOT, Unit.FEED):
        hours = use.hours
    prints = PrintUse(use.mass_g / 1000, hours, use.nozzle_c, prints=jobs)
    return units_of_print(unit, prints, filaments[use.feedstock_id])
