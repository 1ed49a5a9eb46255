"""The jobs that print or are planned: until when a toolhead or a spool is busy, and how much of it is reserved."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property

from django.utils import timezone

from background.prepared import PreparedRows
from maintenance.models import Job, Reservation, Toolhead
from maintenance.readiness.inputs import SMALL_JOB_H, JobAhead, JobSpec
from maintenance.readiness.rules.busy import find_busy_state
from maintenance.readiness.verdict import STATES
from spools.codes import pretty
from spools.models import Spool

HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class Occupied:
    """A toolhead and a spool that a job uses or will use."""

    job: int
    name: str
    printing: bool
    start: datetime
    end: datetime
    toolhead_id: int
    toolhead: str
    spool_id: int
    spool: str
    mass_g: float


@dataclass(frozen=True)
class Occupation:
    """All jobs of the shop that are not over, by their start. at: the present."""

    at: datetime
    rows: Sequence[Occupied] = ()
    _by_toolhead: dict[int, list[Occupied]] = field(default_factory=dict)
    _by_spool: dict[int, list[Occupied]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for row in self.rows:
            self._by_toolhead.setdefault(row.toolhead_id, []).append(row)
            self._by_spool.setdefault(row.spool_id, []).append(row)

    def on_toolhead(self, toolhead_id: int) -> list[Occupied]:
        return self._by_toolhead.get(toolhead_id, [])

    def with_spool(self, spool_id: int) -> list[Occupied]:
        return self._by_spool.get(spool_id, [])

    def list_jobs(self, toolhead_id: int, spool_id: int, *, except_job: int | None = None) -> list[JobAhead]:
        """The jobs on a toolhead or with a spool, each once, by their start."""
        rows = {
            row.job: row
            for row in [*self.with_spool(spool_id), *self.on_toolhead(toolhead_id)]
            if row.job != except_job
        }
        return self._jobs_ahead(rows.values())

    def sum_reserved_g(self, spool_id: int, *, except_job: int | None = None) -> float:
        """The grams of a spool that are reserved for other jobs."""
        return sum(row.mass_g for row in self.with_spool(spool_id) if row.job != except_job)

    @cached_property
    def toolhead_ranks(self) -> dict[int, int]:
        """The state of the busy check for a small job, as its number in STATES, of each toolhead in a job."""
        return {pk: self._rank(rows) for pk, rows in self._by_toolhead.items()}

    @cached_property
    def spool_ranks(self) -> dict[int, int]:
        """As toolhead_ranks, of each spool in a job."""
        return {pk: self._rank(rows) for pk, rows in self._by_spool.items()}

    def _rank(self, rows: Iterable[Occupied]) -> int:
        states = [find_busy_state(job, SMALL_JOB_H) for job in self._jobs_ahead(rows)]
        return max(STATES.index(state) for state in states)

    def _jobs_ahead(self, rows: Iterable[Occupied]) -> list[JobAhead]:
        return [
            JobAhead(
                row.job,
                row.name,
                row.toolhead,
                row.spool,
                row.printing,
                row.start.isoformat(),
                row.end.isoformat(),
                (row.start - self.at) / HOUR,
                (row.end - self.at) / HOUR,
            )
            for row in sorted(rows, key=lambda row: (row.start, row.job))
        ]


NOTHING_AHEAD = Occupation(datetime.min)


def find_reserved_job(toolhead: Toolhead, spool: Spool) -> JobSpec | None:
    """The earliest job that is planned on this toolhead with this spool, in its own size."""
    rows = Reservation.objects.filter(toolhead=toolhead, spool=spool, job__stage=Job.Stage.PLANNED)
    row = rows.select_related("job").order_by("job__start", "job").first()
    if row is None:
        return None
    job = row.job
    return JobSpec(
        row.mass_g, job.hours, row.nozzle_c or job.nozzle_c, job.bed_c, job.max_flow_mm3_s, job=job.pk
    )


def load_occupation(now: datetime | None = None) -> Occupation:
    """The jobs of the shop that are not over. One query."""
    occupied = [
        Occupied(
            row.job_id,
            row.job.name,
            row.job.stage == Job.Stage.PRINTING,
            row.job.start,
            row.job.end,
            row.toolhead_id,
            str(row.toolhead),
            row.spool_id,
            pretty(row.spool.code),
            row.mass_g,
        )
        for row in _RESERVATIONS.run()
    ]
    return Occupation(now or timezone.now(), occupied)


_RESERVATIONS = PreparedRows(
    lambda: Reservation.objects.order_by("job__start", "job", "pk"),
    *("job", "toolhead", "toolhead__printer", "spool"),
    without=["job__reasons"],
)
