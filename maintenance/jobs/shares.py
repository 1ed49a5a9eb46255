"""The life of a job from its events: its stage and times, the grams that it took and those that it will take.

Pure: the events are read by their columns, nothing is queried.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import msgspec
from django.utils.translation import gettext as _

from maintenance.models import Job, JobEvent
from spools.refusals import refusal
from spools.statements import Statement

Kind = JobEvent.Kind
ENDS = (Kind.FINISHED, Kind.FAILED, Kind.STOPPED)


class Share(msgspec.Struct, frozen=True):
    """Grams of a spool through a toolhead, by their ids. numbers: of the spools of its file that it stands for.

    slot: that the spool is in. changes: of spool to it; purge_g: the part of its grams that these purge. nozzle_c: its
    own temperature, where the job has several.
    """

    toolhead: int
    spool: int
    mass_g: float
    retracted_m: float | None = None
    numbers: list[int] = []
    slot: int = 1
    changes: float = 0.0
    purge_g: float = 0.0
    nozzle_c: float | None = None

    def scaled(self, mass_g: float) -> "Share":
        """The same with other grams; retracted, changed and purged in proportion."""
        part = mass_g / self.mass_g if self.mass_g else 0.0
        retracted_m = None if self.retracted_m is None else self.retracted_m * part
        return msgspec.structs.replace(
            self,
            mass_g=mass_g,
            retracted_m=retracted_m,
            changes=self.changes * part,
            purge_g=self.purge_g * part,
        )


def encode_shares(shares: Iterable[Share]) -> list[dict[str, Any]]:
    return msgspec.to_builtins(list(shares))


def decode_shares(rows: Any) -> list[Share]:
    return msgspec.convert(rows, list[Share])


@dataclass(frozen=True)
class Piece:
    """A share from a time on, until its end or the next change of spool."""

    share: Share
    since: datetime


@dataclass(frozen=True)
class Life:
    """A job by its events. used: what it printed; reserved: what it will take. start_event: of its verdict."""

    stage: str
    start: datetime
    end: datetime
    hours: float
    start_event: JobEvent
    used: list[Piece]
    reserved: list[Piece]
    stopped: Statement | None = None


def last_event(events: Sequence[JobEvent], *kinds: str) -> JobEvent | None:
    """The last of these kinds; events: in the order of their times."""
    return next((event for event in reversed(events) if event.kind in kinds), None)


def find_start(events: Sequence[JobEvent]) -> JobEvent | None:
    """The start of a job, or its plan while it has not begun."""
    return last_event(events, Kind.STARTED) or last_event(events, Kind.PLANNED)


def derive_life(events: Sequence[JobEvent]) -> Life:
    """events: the valid ones of a job, in the order of their times. Refused: events that do not fit together."""
    start_event = find_start(events)
    if start_event is None:
        raise refusal("first_event", _("This is how the job was recorded. Withdraw the job instead."))
    assert start_event.hours is not None
    start, end_event = start_event.at, last_event(events, *ENDS)
    changes = [event for event in events if event.kind == Kind.CHANGED]
    if start_event.kind == Kind.PLANNED and (end_event or changes):
        raise refusal("later_event", _("The job went on after that. Withdraw its later steps first."))
    split = split_by_changes(decode_shares((end_event or start_event).shares), start, changes)
    if end_event is not None:
        assert end_event.hours is not None
        used = [piece for pieces in split for piece in pieces]
        return Life(
            end_event.kind,
            start,
            end_event.at,
            end_event.hours,
            start_event,
            _merge(used),
            [],
            end_event.stopped,
        )
    stage = Job.Stage.PRINTING if start_event.kind == Kind.STARTED else Job.Stage.PLANNED
    return Life(
        stage,
        start,
        start + timedelta(hours=start_event.hours),
        start_event.hours,
        start_event,
        _merge([piece for pieces in split for piece in pieces[:-1]]),
        _merge([pieces[-1] for pieces in split]),
    )


def split_by_changes(
    shares: Sequence[Share], start: datetime, changes: Sequence[JobEvent]
) -> list[list[Piece]]:
    """Each share in pieces, one for each spool that it came from: the last is of the spool that it ends with."""
    pieces = [[Piece(share, start)] for share in shares]
    for change in changes:
        # One for each tool that printed from the former spool, and the next spool.
        *given, following = decode_shares(change.shares)
        feeding = [
            rows
            for rows in pieces
            if (rows[-1].share.toolhead, rows[-1].share.spool) == (given[0].toolhead, given[0].spool)
        ]
        if len(feeding) != len(given):
            raise refusal(
                "later_event", _("A later change of spool rests on that. Withdraw the later steps first.")
            )
        for rows, share in zip(feeding, given, strict=True):
            last = rows[-1].share
            mass_g = min(share.mass_g, last.mass_g)
            rest = msgspec.structs.replace(
                last.scaled(last.mass_g - mass_g), spool=following.spool, slot=following.slot
            )
            rows[-1:] = [Piece(last.scaled(mass_g), rows[-1].since), Piece(rest, change.at)]
    return pieces


def _merge(pieces: Iterable[Piece]) -> list[Piece]:
    """One piece for each spool on a toolhead, from its first time on; those without filament are left out."""
    merged: dict[tuple[int, int], Piece] = {}
    for piece in pieces:
        share, key = piece.share, (piece.share.toolhead, piece.share.spool)
        if share.mass_g <= 0:
            continue
        if key in merged:
            before = merged[key].share
            retracted = [row.retracted_m for row in (before, share) if row.retracted_m is not None]
            share = msgspec.structs.replace(
                share,
                mass_g=before.mass_g + share.mass_g,
                retracted_m=sum(retracted) if retracted else None,
                changes=before.changes + share.changes,
                purge_g=before.purge_g + share.purge_g,
            )
            merged[key] = Piece(share, min(piece.since, merged[key].since))
        else:
            merged[key] = piece
    return list(merged.values())
