"""The history of a spool on one time line, newest first."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from maintenance.models import Loading
from spools.models import DryingRun, MassEntry, Spool, Stay


@dataclass(frozen=True)
class TimelineEvent:
    """what: stay, drying, loading or a kind of mass entry.

    number: g of a mass entry.
    name: of the place, dryer, toolhead or job; note: state, temperatures or remark.
    subject: the id of the place, dryer, loading or job; 0 for none. fact: the mass entry, which may be withdrawn.
    """

    kind: str
    at: datetime
    until: datetime | None
    number: float = 0.0
    name: str = ""
    note: str = ""
    subject: int = 0
    fact: MassEntry | None = None

    @property
    def hours(self) -> float | None:
        """How long it lasted; None while it goes on."""
        return None if self.until is None else (self.until - self.at) / timedelta(hours=1)


def build_timeline(spool: Spool) -> list[TimelineEvent]:
    """Stays, drying runs, mass entries with their jobs, and loadings. Four queries."""
    events = [*_mass_events(spool), *_stay_events(spool), *_drying_events(spool), *_loading_events(spool)]
    return sorted(events, key=lambda event: event.at, reverse=True)


def _mass_events(spool: Spool) -> Iterator[TimelineEvent]:
    entries = MassEntry.objects.filter(spool=spool).select_related("job_use__job", "withdrawn_by")
    for entry in entries:
        use = getattr(entry, "job_use", None)
        grams = entry.net_change_g if entry.gross_g is None else entry.gross_g
        yield TimelineEvent(
            entry.kind,
            entry.at,
            entry.at,
            number=abs(grams or 0.0),
            name="" if use is None else use.job.name,
            note=entry.note,
            subject=0 if use is None else use.job_id,
            fact=entry,
        )


def _stay_events(spool: Spool) -> Iterator[TimelineEvent]:
    for stay in Stay.objects.filter(spool=spool).select_related("place"):
        yield TimelineEvent("stay", stay.start, stay.end, name=stay.place.name, subject=stay.place_id)


def _drying_events(spool: Spool) -> Iterator[TimelineEvent]:
    for run in DryingRun.objects.filter(spool=spool).select_related("dryer"):
        first = "" if run.first_set_point_c is None else f"{run.first_set_point_c:g} °C, then "
        note = f"{first}{run.set_point_c:g} °C"
        yield TimelineEvent(
            "drying", run.start, run.end, name=run.dryer.name, note=note, subject=run.dryer_id
        )


def _loading_events(spool: Spool) -> Iterator[TimelineEvent]:
    loadings = Loading.objects.with_off_at().filter(spool=spool).select_related("toolhead__printer")
    for loading in loadings:
        because = f", loaded because: {loading.override_reason}" if loading.override_reason else ""
        yield TimelineEvent(
            "loading",
            loading.start,
            loading.off_at,
            subject=loading.pk,
            name=str(loading.toolhead),
            note=loading.state + because,
        )
