"""How far along machines are since each service was done: from jobs and entries, nothing is stored."""

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from django.db.models import Case, Count, Exists, F, Max, Min, OuterRef, Q, Sum, When
from django.utils import timezone

from maintenance.models import JobUse, Printer, ServiceEntry, ServiceKind, Toolhead
from maintenance.parts.life import RATE_PERIOD, SHORTEST_RATE_PERIOD
from maintenance.parts.wear_entries import filament_of
from maintenance.wear.abrasion import Filament, PrintUse
from maintenance.wear.intervals import ServiceProgress, units_of_print
from spools.models import Feedstock
from spools.wording import format_time

Unit = ServiceKind.Unit
DAY = timedelta(days=1)


@dataclass(frozen=True)
class ServiceStatus:
    """One service of one machine: what it is, where, when it was last done and how far along it is.

    begun: where the count starts, when it was last done or added to the shop; None: at the first job.
    """

    kind: ServiceKind
    printer: Printer
    toolhead: Toolhead | None
    last: datetime | None
    count_start: datetime | None
    since: ServiceProgress

    @property
    def start_words(self) -> str:
        """Where the count starts, in words."""
        return format_count_start(self.last, self.count_start)

    def concerns(self, toolhead: Toolhead) -> bool:
        """Whether it is done on this toolhead or on its printer."""
        return self.printer.pk == toolhead.printer_id and self.toolhead in (None, toolhead)


def format_count_start(last: datetime | None, begun: datetime | None) -> str:
    """Where a count starts, in words: when the service was last done, else added to the shop."""
    if last is not None:
        return f"since {format_time(last)}"
    start = "its first job" if begun is None else f"this was added on {format_time(begun)}"
    return f"since {start}; none is recorded"


class PastUse(NamedTuple):
    """Prints with one feedstock through a toolhead: a single one, or the sum of those before a time.

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


def load_service_statuses(toolheads: Iterable[Toolhead], at: datetime | None = None) -> list[ServiceStatus]:
    """Every service in use of these toolheads (their printers loaded with them) and of their printers.

    One query where the shop has no services, else four however many machines. The database sums the prints
    before the oldest start of a count, so their number does not matter.
    """
    at = at or timezone.now()
    toolheads = list(toolheads)
    kinds = list(ServiceKind.objects.filter(in_use=True))
    if not kinds or not toolheads:
        return []
    printers = {toolhead.printer_id: toolhead.printer for toolhead in toolheads}
    last = _last_done(kinds, printers, at)
    added_times = [kind.added_at for kind in kinds if kind.added_at is not None]
    uses = _uses(printers, min([at - RATE_PERIOD, *last.values(), *added_times]), at)
    ids = {use.feedstock_id for subject_uses in uses.values() for use in subject_uses}
    feedstocks = Feedstock.objects.select_related("polymer", "filler").in_bulk(ids)
    filaments = {pk: filament_of(feedstock) for pk, feedstock in feedstocks.items()}
    counts: dict[tuple[int, int | None, str], _Count] = {}
    statuses = []
    for kind in kinds:
        for printer, toolhead in _subjects(kind, printers.values(), toolheads):
            subject = printer.pk, None if toolhead is None else toolhead.pk
            subject_uses = uses.get(subject, [])
            last_done = last.get((kind.pk, *subject))
            count_start = last_done or _added_after_use(kind, subject_uses)
            if (*subject, kind.unit) not in counts:
                counts[*subject, kind.unit] = _Count.build(
                    kind.unit, subject_uses, filaments, toolhead is None
                )
            count = counts[*subject, kind.unit]
            since = _since(
                kind, str(toolhead or printer), subject_uses, count, count_start, last_done is not None, at
            )
            statuses.append(ServiceStatus(kind, printer, toolhead, last_done, count_start, since))
    return statuses


def _subjects(
    kind: ServiceKind, printers: Iterable[Printer], toolheads: list[Toolhead]
) -> list[tuple[Printer, Toolhead | None]]:
    if kind.subject == ServiceKind.Subject.TOOLHEAD:
        return [(toolhead.printer, toolhead) for toolhead in toolheads]
    is_for_all = kind.subject == ServiceKind.Subject.PRINTER
    return [(printer, None) for printer in printers if is_for_all or printer.enclosed]


def _last_done(
    kinds: Iterable[ServiceKind], printer_ids: Iterable[int], at: datetime
) -> dict[tuple[int, int, int | None], datetime]:
    entries = ServiceEntry.objects.valid().filter(
        kind__in=list(kinds), printer__in=list(printer_ids), at__lte=at
    )
    rows = entries.order_by().values_list("kind", "printer", "toolhead").annotate(last=Max("at"))
    return {(kind, printer, toolhead): last for kind, printer, toolhead, last in rows}


def _uses(
    printer_ids: Iterable[int], since: datetime, at: datetime
) -> dict[tuple[int, int | None], list[PastUse]]:
    """The prints of each toolhead, by (printer, toolhead), and of each printer, by (printer, None).

    Each print since a time, and before it one sum for each feedstock and temperature.
    """
    same_job = JobUse.objects.filter(job=OuterRef("job"), pk__lt=OuterRef("pk"))
    first_on = {
        "first_on_printer": ~Exists(same_job),
        "first_on_toolhead": ~Exists(same_job.filter(toolhead=OuterRef("toolhead"))),
    }
    hours = F("job__hours")
    rows = (
        JobUse.objects.filter(job__printer__in=list(printer_ids), job__withdrawn_at=None, job__start__lte=at)
        .annotate(**first_on, alone=Case(When(job__start__gte=since, then=F("pk")), default=None))
        .values("job__printer", "toolhead", "job__nozzle_c", "spool__feedstock", "alone")
        .annotate(
            first=Min("job__start"),
            hours=Sum(hours),
            grams=Sum("mass_g"),
            toolhead_jobs=Count("pk", filter=Q(first_on_toolhead=True)),
            toolhead_hours=Sum(hours, filter=Q(first_on_toolhead=True), default=0.0),
            printer_jobs=Count("pk", filter=Q(first_on_printer=True)),
            printer_hours=Sum(hours, filter=Q(first_on_printer=True), default=0.0),
        )
        .order_by("first", "alone")
    )
    columns = ["first", "job__nozzle_c", "spool__feedstock", "hours", "grams"]
    columns += ["toolhead_jobs", "toolhead_hours", "printer_jobs", "printer_hours"]
    uses: dict[tuple[int, int | None], list[PastUse]] = {}
    for printer_id, toolhead_id, *row in rows.values_list("job__printer", "toolhead", *columns):
        use = PastUse(*row)
        uses.setdefault((printer_id, toolhead_id), []).append(use)
        uses.setdefault((printer_id, None), []).append(use)
    return uses


def _added_after_use(kind: ServiceKind, uses: list[PastUse]) -> datetime | None:
    """When the service was added, where the machine had printed before."""
    return kind.added_at if kind.added_at and uses and uses[0].start < kind.added_at else None


def _since(
    kind: ServiceKind,
    where: str,
    uses: list[PastUse],
    count: "_Count",
    count_start: datetime | None,
    recorded: bool,
    at: datetime,
) -> ServiceProgress:
    if kind.unit == Unit.DAYS:
        start = count_start or (uses[0].start if uses else at)
        used, per_day = max(0.0, (at - start) / DAY), 1.0
    else:
        used = count.since(count_start)
        printed_for = at - uses[0].start if uses else RATE_PERIOD
        per_day = count.since(at - RATE_PERIOD) / (
            min(RATE_PERIOD, max(SHORTEST_RATE_PERIOD, printed_for)) / DAY
        )
    return ServiceProgress(
        service=kind.name,
        where=where,
        unit=kind.get_unit_display(),
        used=used,
        interval=kind.interval,
        per_day=per_day,
        recorded=recorded,
        stops=kind.stops,
        counted=kind.unit,
    )


@dataclass(frozen=True)
class _Count:
    """The amounts that prints added in one unit, in the order of their starts."""

    starts: list[datetime]
    added: list[float]

    @classmethod
    def build(
        cls, unit: str, uses: list[PastUse], filaments: dict[int, Filament], whole_printer: bool
    ) -> "_Count":
        """Jobs with several spools count their hours and themselves once, their filament for each."""
        added = []
        for use in uses:
            jobs, hours = use.toolhead_jobs, use.toolhead_hours
            if whole_printer:
                jobs, hours = use.printer_jobs, use.printer_hours
            if unit in (Unit.HOT, Unit.FEED):
                hours = use.hours
            each = PrintUse(use.mass_g / 1000, hours, use.nozzle_c, prints=jobs)
            added.append(units_of_print(unit, each, filaments[use.feedstock_id]))
        return cls([use.start for use in uses], added)

    def since(self, start: datetime | None) -> float:
        """By the jobs that began then or later; None: by all."""
        return sum(self.added[0 if start is None else bisect_left(self.starts, start) :], 0.0)
