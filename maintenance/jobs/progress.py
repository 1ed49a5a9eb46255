"""How far a running print is, and whether it pauses, as its printer's host reported last."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from django.db.models import OuterRef, Subquery
from django.utils.translation import gettext as _

from maintenance.models import Job, PrinterEvent
from spools.wording import format_metres, format_percent, format_time

Kind = PrinterEvent.Kind
# Kinds that begin or end a pause.
PAUSES = (Kind.PAUSED, Kind.RESUMED, Kind.RAN_OUT, Kind.SPOOL_CHANGED)


@dataclass(frozen=True)
class Progress:
    """at: of the last report of how far it is. paused_at: None while it prints."""

    at: datetime | None = None
    pct: float | None = None
    metres: float | None = None
    paused_at: datetime | None = None
    reason: str = ""

    @property
    def sentence(self) -> str:
        """In words; empty where nothing was reported."""
        return " ".join(text for text in (self._describe_progress(), self._describe_pause()) if text)

    def _describe_progress(self) -> str:
        if self.at is None or (self.pct is None and self.metres is None):
            return ""
        done = format_metres(self.metres or 0.0) if self.pct is None else format_percent(self.pct)
        return _("{done} on {at}.").format(done=done, at=format_time(self.at))

    def _describe_pause(self) -> str:
        if self.paused_at is None:
            return ""
        if self.reason:
            return _("Paused since {at}: {reason}").format(at=format_time(self.paused_at), reason=self.reason)
        return _("Paused since {at}.").format(at=format_time(self.paused_at))


def load_progress(jobs: Collection[int]) -> dict[int, Progress]:
    """The progress of those of these jobs that print and whose host reported any, by id. Two queries; none without."""
    if not jobs:
        return {}
    valid = PrinterEvent.objects.valid().filter(job=OuterRef("pk"), state=PrinterEvent.State.RECORDED)
    events = valid.order_by("-at", "-pk").values("pk")
    last_of = {
        "progress": Subquery(events.filter(kind=Kind.PROGRESS)[:1]),
        "pause": Subquery(events.filter(kind__in=PAUSES)[:1]),
    }
    printing = Job.objects.filter(pk__in=jobs, stage=Job.Stage.PRINTING).annotate(**last_of)
    ids = {pk: (progress, pause) for pk, progress, pause in printing.values_list("pk", *last_of)}
    rows = PrinterEvent.objects.in_bulk({pk for pair in ids.values() for pk in pair if pk})
    return {
        pk: _build(rows.get(progress), rows.get(pause))
        for pk, (progress, pause) in ids.items()
        if progress or pause
    }


def _build(progress: PrinterEvent | None, pause: PrinterEvent | None) -> Progress:
    pauses = pause is not None and pause.kind in (Kind.PAUSED, Kind.RAN_OUT) and "spool" not in pause.values
    return Progress(
        progress.at if progress else None,
        progress.values.get("pct") if progress else None,
        progress.values.get("metres") if progress else None,
        pause.at if pauses and pause else None,
        pause.values.get("reason", "") if pauses and pause else "",
    )
