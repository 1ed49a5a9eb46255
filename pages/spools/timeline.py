"""The history of a spool on one time line, newest first."""

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import BigIntegerField, QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from background.prepared import Parameter, PreparedRows
from maintenance.models import Loading
from pages.templatetags.spoken import state_word
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
from spools.wording import format_time

BY = ("recorded_by", "withdrawn_by")


def _prepare(rows: QuerySet[Any], *joined: str, without: Collection[str] = ()) -> PreparedRows[Any]:
    """The rows of a spool."""
    return PreparedRows(
        lambda: rows.filter(spool=Parameter("spool", BigIntegerField())), *joined, without=without
    )


_RUNS = _prepare(DryingRun.recorded.all(), "dryer", *BY)
_LOADINGS = _prepare(
    Loading.recorded.all(),
    *("toolhead", "toolhead__printer", "fed_from", *BY),
    without=["reasons"],
)
_ENTRIES = _prepare(
    MassEntry.objects.all(), "job_use", "job_use__job", *BY, without=["job_use__job__reasons"]
)
_STAYS = _prepare(Stay.objects.all(), "place")
_MOVES = _prepare(Move.objects.all(), "place", *BY)
_OPENINGS = _prepare(Opening.objects.all(), *BY)
_ENDINGS = _prepare(Ending.objects.all(), *BY)
_CORRECTIONS = _prepare(SpoolCorrection.objects.all(), "recorded_by")
_RESPOOLINGS = _prepare(Respooling.objects.all(), *BY)


CORRECTED = {
    "net_mass_g": gettext_lazy("filament by the label, g"),
    "gross_g": gettext_lazy("first weighing, g"),
    "core_mass_g": gettext_lazy("empty reel, g"),
    "core_mass_band_g": gettext_lazy("its uncertainty, g"),
    "core_mass_known": gettext_lazy("its mass is known"),
    "core_material": gettext_lazy("material of the reel"),
    "core_cap_c": gettext_lazy("hottest that the reel may get, °C"),
    "core_radius_mm": gettext_lazy("radius of the core, mm"),
    "width_mm": gettext_lazy("width, mm"),
    "feedstock": gettext_lazy("feedstock"),
    "batch": gettext_lazy("batch"),
}
# By the kind of an event: the page that corrects it, and the name of its fact on the page that withdraws it.
CORRECTS = {
    "stay": ("move-correct", gettext_lazy("Correct the move of {at}")),
    "same_place": ("move-correct", gettext_lazy("Correct the move of {at}")),
    "drying": ("run-correct", gettext_lazy("Correct the time of the drying run of {at}")),
    "loading": ("loading-correct", gettext_lazy("Correct the time of the loading of {at}")),
    "weighed": ("weighing-correct", gettext_lazy("Correct the weighing of {at}")),
}
WITHDRAWS = {
    "stay": ("move", gettext_lazy("Withdraw the move of {at}")),
    "same_place": ("move", gettext_lazy("Withdraw the move of {at}")),
    "drying": ("drying-run", gettext_lazy("Withdraw the drying run of {at}")),
    "loading": ("loading", gettext_lazy("Withdraw the loading of {at}")),
    "opening": ("opening", gettext_lazy("Withdraw the opening of {at}")),
    "ending": ("ending", gettext_lazy("Take it back")),
    "respooling": ("respooling", gettext_lazy("Withdraw the new reel of {at}")),
    "weighed": ("mass-entry", gettext_lazy("Withdraw the weighing of {at}")),
    "removed": ("mass-entry", gettext_lazy("Withdraw the entry of {at}")),
    "joined": ("joining", gettext_lazy("Withdraw the joint of {at}")),
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

    @property
    def correct_page(self) -> str:
        """The name of the page that corrects its fact; empty where there is none. A wrong weighing stays there."""
        if self.fact is None or (self.fact.withdrawn_at is not None and self.kind != "weighed"):
            return ""
        return CORRECTS[self.kind][0] if self.kind in CORRECTS else ""

    @property
    def correct_label(self) -> str:
        return str(CORRECTS[self.kind][1]).format(at=format_time(self.at))

    @property
    def withdraw_kind(self) -> str:
        """The kind of its fact for the page that withdraws; empty where it cannot be withdrawn, or is."""
        if self.fact is None or self.fact.withdrawn_at is not None or self.kind not in WITHDRAWS:
            return ""
        return WITHDRAWS[self.kind][0]

    @property
    def withdraw_pk(self) -> int | None:
        if self.kind == "joined" and isinstance(self.fact, MassEntry):
            return self.fact.joining_to.pk
        return None if self.fact is None else self.fact.pk

    @property
    def withdraw_label(self) -> str:
        return str(WITHDRAWS[self.kind][1]).format(at=format_time(self.at))


def build_timeline(spool: Spool) -> list[TimelineEvent]:
    """Stays, drying runs, mass entries with their jobs, loadings, openings, endings, corrections. Nine queries at most."""
    runs, loadings = _RUNS.run(spool=spool.pk), _LOADINGS.run(spool=spool.pk)
    owned = {pk for run in runs for pk in (run.move_id, run.move_out_id)} | {row.move_id for row in loadings}
    events = [*_mass_events(spool), *_stay_events(spool, owned), *_drying_events(runs)]
    events += _loading_events(loadings)
    events += [*_opening_events(spool), *_ending_events(spool), *_correction_events(spool)]
    events += _respooling_events(spool)
    return sorted(events, key=lambda event: event.at, reverse=True)


def _mass_events(spool: Spool) -> Iterator[TimelineEvent]:
    for entry in _ENTRIES.run(spool=spool.pk):
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
    stays = {stay.start: stay for stay in _STAYS.run(spool=spool.pk)}
    for move in _MOVES.run(spool=spool.pk):
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
        hold = "" if run.hold is None else f" ({run.hold.sentence})"
        yield TimelineEvent(
            "drying",
            run.start,
            run.end,
            name=run.dryer.name,
            note=f"{run.temperatures}{hold}",
            subject=run.dryer_id,
            fact=run,
            by=_name(run.recorded_by),
        )


def _opening_events(spool: Spool) -> Iterator[TimelineEvent]:
    if not spool.sealed:
        return
    for opening in _OPENINGS.run(spool=spool.pk):
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
    for ending in _ENDINGS.run(spool=spool.pk):
        name, by = ending.get_kind_display(), _name(ending.recorded_by)
        yield TimelineEvent("ending", ending.at, ending.at, name=name, note=ending.note, fact=ending, by=by)


def _correction_events(spool: Spool) -> Iterator[TimelineEvent]:
    for row in _CORRECTIONS.run(spool=spool.pk):
        at, by = row.recorded_at, _name(row.recorded_by)
        changes = tuple([CORRECTED.get(name, name), *values] for name, *values in row.changes)
        yield TimelineEvent("correction", at, at, note=row.reason, by=by, changes=changes)


def _respooling_events(spool: Spool) -> Iterator[TimelineEvent]:
    for fact in _RESPOOLINGS.run(spool=spool.pk):
        core_g, by = fact.before["core_mass_g"], _name(fact.recorded_by)
        yield TimelineEvent("respooling", fact.at, fact.at, number=core_g, note=fact.note, fact=fact, by=by)


def _remark(fact: MassEntry | Opening) -> str:
    """The act that it came with, or what a person noted."""
    return fact.note if fact.cause is None else fact.cause.sentence


def _name(account: Any) -> str:
    return "" if account is None else account.username


def _loading_events(loadings: Iterable[Loading]) -> Iterator[TimelineEvent]:
    for loading in loadings:
        notes = [_("Verdict: {state}.").format(state=state_word(loading.state))]
        if reason := loading.override_reason.removesuffix("."):
            notes.append(_("Reason: {reason}.").format(reason=reason))
        if loading.cause is not None:
            notes.append(loading.cause.sentence)
        name = loading.site
        if loading.fed_from:
            name = _("{site}, fed from {place}").format(site=name, place=loading.fed_from)
        yield TimelineEvent(
            "loading",
            loading.start,
            loading.end,
            subject=loading.pk,
            name=name,
            note=" ".join(notes),
            fact=loading,
            by=_name(loading.recorded_by),
        )
