"""The history of a spool on one time line, newest first."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from maintenance.models import Loading
from spools.models import DryingRun, MassEntry, Opening, Spool, Stay

# A time line is long, and building rows of all columns takes most of its time.
ENTRY_COLUMNS = (
    *("kind", "at", "net_change_g", "gross_g", "note"),
    *("withdrawn_at", "withdrawn_reason", "withdrawn_by__username", "job_use__job__name"),
)
LOADING_COLUMNS = (
    "start",
    "state",
    "override_reason",
    "toolhead__name",
    "toolhead__printer__name",
    "fed_from__name",
)


@dataclass(frozen=True)
class TimelineEvent:
    """kind: stay, drying, loading, opening or a kind of mass entry.

    number: g of a mass entry.
    name: of the place, dryer, toolhead or job; note: state, temperatures or remark.
    subject: the id of the place, dryer, loading or job; 0 for none. fact: the mass entry or opening, which may
    be withdrawn.
    """

    kind: str
    at: datetime
    until: datetime | None
    number: float = 0.0
    name: str = ""
    note: str = ""
    subject: int = 0
    fact: MassEntry | Opening | None = None

    @property
    def hours(self) -> float | None:
        """How long it lasted; None while it goes on."""
        return None if self.until is None else (self.until - self.at) / timedelta(hours=1)


def build_timeline(spool: Spool) -> list[TimelineEvent]:
    """Stays, drying runs, mass entries with their jobs, loadings, and of sealed spools openings. Five queries."""
    events = [*_mass_events(spool), *_stay_events(spool), *_drying_events(spool), *_loading_events(spool)]
    events += _opening_events(spool)
    return sorted(events, key=lambda event: event.at, reverse=True)


def _mass_events(spool: Spool) -> Iterator[TimelineEvent]:
    entries = MassEntry.objects.filter(spool=spool).select_related("job_use__job", "withdrawn_by")
    for entry in entries.only(*ENTRY_COLUMNS):
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
    stays = Stay.objects.filter(spool=spool)
    for start, end, name, place in stays.values_list("start", "end", "place__name", "place"):
        yield TimelineEvent("stay", start, end, name=name, subject=place)


def _drying_events(spool: Spool) -> Iterator[TimelineEvent]:
    runs = DryingRun.objects.filter(spool=spool)
    for start, end, first_c, set_point_c, name, dryer in runs.values_list(
        "start", "end", "first_set_point_c", "set_point_c", "dryer__name", "dryer"
    ):
        first = "" if first_c is None else f"{first_c:g} °C, then "
        yield TimelineEvent("drying", start, end, name=name, note=f"{first}{set_point_c:g} °C", subject=dryer)


def _opening_events(spool: Spool) -> Iterator[TimelineEvent]:
    if not spool.sealed:
        return
    for opening in Opening.objects.filter(spool=spool).select_related("withdrawn_by"):
        card = "" if opening.card == Spool.Card.NOT_LOOKED else opening.get_card_display()
        yield TimelineEvent("opening", opening.at, opening.at, name=card, note=opening.note, fact=opening)


def _loading_events(spool: Spool) -> Iterator[TimelineEvent]:
    loadings = (
        Loading.objects.with_off_at().filter(spool=spool).select_related("toolhead__printer", "fed_from")
    )
    for loading in loadings.only(*LOADING_COLUMNS):
        because = f", loaded because: {loading.override_reason}" if loading.override_reason else ""
        yield TimelineEvent(
            "loading",
            loading.start,
            loading.off_at,
            subject=loading.pk,
            name=f"{loading.toolhead}{f', fed from {loading.fed_from}' if loading.fed_from else ''}",
            note=loading.state + because,
        )
