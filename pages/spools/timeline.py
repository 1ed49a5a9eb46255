"""The history of a spool on one time line, newest first."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from maintenance.models import Loading
from spools.models import (
    DryingRun,
    Ending,
    MassEntry,
    Move,
    Opening,
    Respooling,
    Spool,
    SpoolCorrection,
    Stay,
)

# A time line is long, and building rows of all columns takes most of its time.
ENTRY_COLUMNS = (
    *("kind", "at", "net_change_g", "gross_g", "note", "cause"),
    *("withdrawn_at", "withdrawn_reason", "withdrawn_by__username", "recorded_by__username"),
    "job_use__job__name",
)


CORRECTED = {
    "net_mass_g": "filament by the label, g",
    "gross_g": "first weighing, g",
    "core_mass_g": "empty reel, g",
    "core_mass_band_g": "its uncertainty, g",
    "core_mass_known": "its mass is known",
    "core_material": "material of the reel",
    "core_cap_c": "hottest that the reel may get, °C",
    "core_radius_mm": "radius of the core, mm",
    "width_mm": "width, mm",
}


@dataclass(frozen=True)
class TimelineEvent:
    """kind: stay, same_place, drying, loading, opening, ending, respooling, correction or a kind of mass entry.

    number: g of a mass entry, or of the reel of before.
    name: of the place, dryer, toolhead or job; note: state, temperatures or remark.
    subject: the id of the place, dryer, loading or job; 0 for none. fact: its row, which may be withdrawn.
    changes: of a correction, as stored. by: the name of the account that recorded it, or empty.
    """

    kind: str
    at: datetime
    until: datetime | None
    number: float = 0.0
    name: str = ""
    note: str = ""
    subject: int = 0
    fact: MassEntry | Opening | Ending | Move | DryingRun | Loading | Respooling | None = None
    by: str = ""
    changes: tuple[list[str], ...] = ()

    @property
    def hours(self) -> float | None:
        """How long it lasted; None while it goes on."""
        return None if self.until is None else (self.until - self.at) / timedelta(hours=1)


def build_timeline(spool: Spool) -> list[TimelineEvent]:
    """Stays, drying runs, mass entries with their jobs, loadings, openings, endings, corrections. Nine queries at most."""
    runs = DryingRun.recorded.filter(spool=spool).select_related("dryer", "recorded_by", "withdrawn_by")
    loadings = Loading.recorded.filter(spool=spool).defer("reasons")
    loadings = loadings.select_related("toolhead__printer", "fed_from", "recorded_by", "withdrawn_by")
    owned = {pk for run in runs for pk in (run.move_id, run.move_out_id)} | {row.move_id for row in loadings}
    events = [*_mass_events(spool), *_stay_events(spool, owned), *_drying_events(runs)]
    events += _loading_events(loadings)
    events += [*_opening_events(spool), *_ending_events(spool), *_correction_events(spool)]
    events += _respooling_events(spool)
    return sorted(events, key=lambda event: event.at, reverse=True)


def _mass_events(spool: Spool) -> Iterator[TimelineEvent]:
    entries = MassEntry.objects.filter(spool=spool).select_related(
        "job_use__job", "withdrawn_by", "recorded_by"
    )
    for entry in entries.only(*ENTRY_COLUMNS):
        use = getattr(entry, "job_use", None)
        grams = entry.net_change_g if entry.gross_g is None else entry.gross_g
        yield TimelineEvent(
            entry.kind,
            entry.at,
            entry.at,
            number=abs(grams or 0.0),
            name="" if use is None else use.job.name,
            note=_remark(entry),
            subject=0 if use is None else use.job_id,
            fact=entry,
            by=_name(entry.recorded_by),
        )


def _stay_events(spool: Spool, owned: set[int | None]) -> Iterator[TimelineEvent]:
    """Stays; moves that were withdrawn; and moves to where it was already, which may count later.

    owned: the ids of moves that go with a loading or a drying run, and are not corrected alone.
    """
    stays = {stay.start: stay for stay in Stay.objects.filter(spool=spool).select_related("place")}
    moves = Move.objects.filter(spool=spool).select_related("place", "withdrawn_by", "recorded_by")
    for move in moves:
        stay = None if move.withdrawn_at is not None else stays.pop(move.at, None)
        if stay is None and move.pk in owned:
            continue
        yield TimelineEvent(
            "stay" if stay or move.withdrawn_at else "same_place",
            move.at,
            move.until if stay is None else stay.end,
            name=move.place.name,
            subject=move.place_id,
            fact=None if move.pk in owned else move,
            by=_name(move.recorded_by),
        )
    # Those after a past stay elsewhere.
    for stay in stays.values():
        yield TimelineEvent("stay", stay.start, stay.end, name=stay.place.name, subject=stay.place_id)


def _drying_events(runs: Iterable[DryingRun]) -> Iterator[TimelineEvent]:
    for run in runs:
        first = "" if run.first_set_point_c is None else f"{run.first_set_point_c:g} °C, then "
        hold = "" if run.hold is None else f"; {run.hold.sentence}"
        yield TimelineEvent(
            "drying",
            run.start,
            run.end,
            name=run.dryer.name,
            note=f"{first}{run.set_point_c:g} °C{hold}",
            subject=run.dryer_id,
            fact=run,
            by=_name(run.recorded_by),
        )


def _opening_events(spool: Spool) -> Iterator[TimelineEvent]:
    if not spool.sealed:
        return
    for opening in Opening.objects.filter(spool=spool).select_related("withdrawn_by", "recorded_by"):
        card = "" if opening.card == Spool.Card.NOT_LOOKED else opening.get_card_display()
        yield TimelineEvent(
            "opening",
            opening.at,
            opening.at,
            name=card,
            note=_remark(opening),
            fact=opening,
            by=_name(opening.recorded_by),
        )


def _ending_events(spool: Spool) -> Iterator[TimelineEvent]:
    for ending in Ending.objects.filter(spool=spool).select_related("withdrawn_by", "recorded_by"):
        name, by = ending.get_kind_display(), _name(ending.recorded_by)
        yield TimelineEvent("ending", ending.at, ending.at, name=name, note=ending.note, fact=ending, by=by)


def _correction_events(spool: Spool) -> Iterator[TimelineEvent]:
    for row in SpoolCorrection.objects.filter(spool=spool).select_related("recorded_by"):
        at, by = row.recorded_at, _name(row.recorded_by)
        changes = tuple([CORRECTED.get(name, name), *values] for name, *values in row.changes)
        yield TimelineEvent("correction", at, at, note=row.reason, by=by, changes=changes)


def _respooling_events(spool: Spool) -> Iterator[TimelineEvent]:
    for fact in Respooling.objects.filter(spool=spool).select_related("recorded_by", "withdrawn_by"):
        core_g, by = fact.before["core_mass_g"], _name(fact.recorded_by)
        yield TimelineEvent("respooling", fact.at, fact.at, number=core_g, note=fact.note, fact=fact, by=by)


def _remark(fact: MassEntry | Opening) -> str:
    """The act that it came with, or what a person noted."""
    return fact.note if fact.cause is None else fact.cause.sentence


def _name(account: Any) -> str:
    return "" if account is None else account.username


def _loading_events(loadings: Iterable[Loading]) -> Iterator[TimelineEvent]:
    for loading in loadings:
        reason = loading.override_reason.removesuffix(".")
        because = f", loaded because: {reason}" if reason else ""
        yield TimelineEvent(
            "loading",
            loading.start,
            loading.end,
            subject=loading.pk,
            name=f"{loading.site}{f', fed from {loading.fed_from}' if loading.fed_from else ''}",
            note=loading.state + because,
            fact=loading,
            by=_name(loading.recorded_by),
        )
