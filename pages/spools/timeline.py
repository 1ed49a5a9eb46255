"""What happened to a spool, on one time line, newest first."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Case, CharField, FloatField, Value, When
from django.db.models.functions import Abs, Cast, Coalesce, Concat

from maintenance.models import Loading
from spools.models import DryingRun, MassEntry, Spool, Stay


@dataclass(frozen=True)
class Event:
    """what: stay, drying, loading, a kind of mass entry, or withdrawn: a weighing taken back at ``until``.

    number: °C of drying, g of a mass entry.
    name: of the place, dryer, toolhead or job; note: state or remark.
    subject: the id of the place, dryer or job, and of a loading or weighing its own; 0 for none.
    """

    what: str
    at: datetime
    until: datetime | None
    number: float
    name: str
    note: str
    subject: int

    @property
    def hours(self) -> float | None:
        """How long it lasted; None while it goes on."""
        return None if self.until is None else (self.until - self.at) / timedelta(hours=1)


def time_line(spool: Spool) -> list[Event]:
    """Stays, drying runs, weighings, loadings and jobs. One query."""
    grams = MassEntry.objects.filter(spool=spool).values_list(
        Case(
            When(withdrawn_at__isnull=False, then=Value("withdrawn")),
            default=Cast("kind", CharField()),
            output_field=CharField(),
        ),
        "at",
        Coalesce("withdrawn_at", "at"),
        Abs(Coalesce("gross_g", "net_change_g")),
        Coalesce("job_use__job__name", "withdrawn_job_use__job__name", Value("")),
        Cast("note", CharField()),
        Case(
            When(kind__in=[MassEntry.Kind.WEIGHED, MassEntry.Kind.REMOVED], then="id"),
            default=Coalesce("job_use__job_id", "withdrawn_job_use__job_id", 0),
        ),
    )
    stays = Stay.objects.filter(spool=spool).values_list(
        Value("stay", CharField()),
        "start",
        "end",
        Value(0.0, FloatField()),
        Cast("place__name", CharField()),
        Value("", CharField()),
        "place_id",
    )
    runs = DryingRun.objects.filter(spool=spool).values_list(
        Value("drying", CharField()),
        "start",
        "end",
        "set_point_c",
        Cast("dryer__name", CharField()),
        Coalesce(Cast("first_set_point_c", CharField()), Value("")),
        "dryer_id",
    )
    loadings = Loading.objects.with_off_at().filter(spool=spool)
    loaded = loadings.values_list(
        Value("loading", CharField()),
        "start",
        "off_at",
        Value(0.0, FloatField()),
        Concat("toolhead__printer__name", Value(" "), "toolhead__name"),
        Case(
            When(override_reason="", then="state"),
            default=Concat("state", Value(", loaded because: "), "override_reason"),
        ),
        "id",
    )
    rows = grams.order_by().union(stays.order_by(), runs.order_by(), loaded.order_by(), all=True)
    return sorted((Event(*row) for row in rows), key=lambda event: event.at, reverse=True)
