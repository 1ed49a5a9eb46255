"""How far along machines are since each service was done: from jobs and entries, nothing is stored."""

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from django.db.models import Max
from django.utils import timezone

from maintenance.models import JobUse, Printer, ServiceEntry, ServiceKind, Toolhead
from maintenance.parts.life import RATE_AT_LEAST, RATE_OVER
from maintenance.wear.abrasion import filament_km
from maintenance.wear.intervals import ServiceProgress
from maintenance.wear.residue import residue_h
from spools.catalogue.values import material_values
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
    begun: datetime | None
    since: ServiceProgress

    @property
    def since_when(self) -> str:
        """Where the count starts, in words."""
        if self.last is not None:
            return f"since {format_time(self.last)}"
        begun = "its first job" if self.begun is None else f"this was added on {format_time(self.begun)}"
        return f"since {begun}; none is recorded"

    def concerns(self, toolhead: Toolhead) -> bool:
        """Whether it is done on this toolhead or on its printer."""
        return self.printer.pk == toolhead.printer_id and self.toolhead in (None, toolhead)


class Use(NamedTuple):
    """A job through a toolhead, as far as services count it."""

    job_id: int
    start: datetime
    hours: float
    nozzle_c: float
    mass_g: float
    feedstock_id: int


def load_service_statuses(toolheads: Iterable[Toolhead], at: datetime | None = None) -> list[ServiceStatus]:
    """Every service in use of these toolheads (their printers loaded with them) and of their printers.

    One query where the shop has no services, else four however many machines.
    """
    at = at or timezone.now()
    toolheads = list(toolheads)
    kinds = list(ServiceKind.objects.filter(in_use=True))
    if not kinds or not toolheads:
        return []
    printers = {toolhead.printer_id: toolhead.printer for toolhead in toolheads}
    last = _last_done(printers, at)
    uses = _uses(printers, at)
    ids = {use.feedstock_id for of_subject in uses.values() for use in of_subject}
    feedstocks = Feedstock.objects.select_related("polymer", "filler").in_bulk(ids)
    counts: dict[tuple[int, int | None, str], _Count] = {}
    found = []
    for kind in kinds:
        for printer, toolhead in _subjects(kind, printers.values(), toolheads):
            subject = printer.pk, None if toolhead is None else toolhead.pk
            own = uses.get(subject, [])
            done = last.get((kind.pk, *subject))
            begun = done or _added_after_use(kind, own)
            if (*subject, kind.unit) not in counts:
                counts[*subject, kind.unit] = _Count.of(kind.unit, own, feedstocks)
            count = counts[*subject, kind.unit]
            since = _since(kind, str(toolhead or printer), own, count, begun, done is not None, at)
            found.append(ServiceStatus(kind, printer, toolhead, done, begun, since))
    return found


def _subjects(
    kind: ServiceKind, printers: Iterable[Printer], toolheads: list[Toolhead]
) -> list[tuple[Printer, Toolhead | None]]:
    if kind.subject == ServiceKind.Subject.TOOLHEAD:
        return [(toolhead.printer, toolhead) for toolhead in toolheads]
    every = kind.subject == ServiceKind.Subject.PRINTER
    return [(printer, None) for printer in printers if every or printer.enclosed]


def _last_done(printer_ids: Iterable[int], at: datetime) -> dict[tuple[int, int, int | None], datetime]:
    entries = ServiceEntry.objects.valid().filter(printer__in=list(printer_ids), at__lte=at)
    rows = entries.order_by().values_list("kind", "printer", "toolhead").annotate(last=Max("at"))
    return {(kind, printer, toolhead): last for kind, printer, toolhead, last in rows}


def _uses(printer_ids: Iterable[int], at: datetime) -> dict[tuple[int, int | None], list[Use]]:
    """The jobs of each toolhead, by (printer, toolhead), and of each printer, by (printer, None)."""
    rows = JobUse.objects.filter(
        job__printer__in=list(printer_ids), job__withdrawn_at=None, job__start__lte=at
    ).order_by("job__start", "pk")
    columns = ["job__start", "job__hours", "job__nozzle_c", "mass_g", "spool__feedstock"]
    found: dict[tuple[int, int | None], list[Use]] = {}
    for printer_id, toolhead_id, *row in rows.values_list("job__printer", "toolhead", "job", *columns):
        use = Use(*row)
        found.setdefault((printer_id, toolhead_id), []).append(use)
        found.setdefault((printer_id, None), []).append(use)
    return found


def _added_after_use(kind: ServiceKind, uses: list[Use]) -> datetime | None:
    """When the service was added, where the machine had printed before."""
    return kind.added_at if kind.added_at and uses and uses[0].start < kind.added_at else None


def _since(
    kind: ServiceKind,
    where: str,
    uses: list[Use],
    count: "_Count",
    begun: datetime | None,
    recorded: bool,
    at: datetime,
) -> ServiceProgress:
    if kind.unit == Unit.DAYS:
        start = begun or (uses[0].start if uses else at)
        used, per_day = max(0.0, (at - start) / DAY), 1.0
    else:
        used = count.since(begun)
        printed_for = at - uses[0].start if uses else RATE_OVER
        per_day = count.since(at - RATE_OVER) / (min(RATE_OVER, max(RATE_AT_LEAST, printed_for)) / DAY)
    return ServiceProgress(
        service=kind.name,
        where=where,
        unit=kind.get_unit_display(),
        used=used,
        interval=kind.interval,
        per_day=per_day,
        recorded=recorded,
        stops=kind.stops,
    )


@dataclass(frozen=True)
class _Count:
    """What jobs added in one unit, in the order of their starts."""

    starts: list[datetime]
    added: list[float]

    @classmethod
    def of(cls, unit: str, uses: list[Use], feedstocks: dict[int, Feedstock]) -> "_Count":
        """Jobs with several spools count their hours and themselves once, their filament for each."""
        if unit not in (Unit.HOT, Unit.FEED):
            uses = list({use.job_id: use for use in uses}.values())
        starts = [use.start for use in uses]
        return cls(
            starts,
            [added(unit, u.hours, u.nozzle_c, u.mass_g, feedstocks[u.feedstock_id]) for u in uses],
        )

    def since(self, begun: datetime | None) -> float:
        """By the jobs that began then or later; None: by all."""
        return sum(self.added[0 if begun is None else bisect_left(self.starts, begun) :], 0.0)


def added(unit: str, hours: float, nozzle_c: float, mass_g: float, feedstock: Feedstock) -> float:
    """What one print adds, in the unit that a service is counted in."""
    match unit:
        case Unit.HOURS:
            return hours
        case Unit.DAYS:
            return hours / 24
        case Unit.PRINTS:
            return 1.0
        case Unit.FEED:
            return filament_km(mass_g / 1000, material_values(feedstock).density_g_cm3, feedstock.diameter_mm)
    return residue_h(hours, nozzle_c, material_values(feedstock).nozzle_c, feedstock.polymer.name)
