"""Writes the events of facts in the transactions that record, change or withdraw them, by the signals of their rows.

An event counts until an event withdraws it. Where a fact gets another time, or its end is taken back, the former event
is withdrawn and the right one follows.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

from django.db.models import Model
from django.db.models.signals import post_save
from django.utils import timezone

from maintenance.models import Fitting, Job, Loading, ServiceEntry, ShopEvent
from spools.models import DryingRun, Ending, Move, Opening, Spool

Kind = ShopEvent.Kind
WITHDRAWAL = "withdrawn_at"


@dataclass(frozen=True)
class FactEvents:
    """The events of a kind of fact: a start and an end, each with the column of its time.

    A start is written when the fact is recorded, but where starts_later. end_kind: a kind, or it from the fact.
    """

    start: Kind
    start_column: str
    describe: Callable[[Any], dict[str, Any]]
    end_column: str = ""
    end_kind: Callable[[Any], Kind | None] = lambda fact: None
    starts_later: bool = False
    has_started: Callable[[Any], bool] = lambda fact: True

    @property
    def columns(self) -> set[str]:
        return {self.start_column, self.end_column, WITHDRAWAL, *({"stage"} if self.starts_later else ())}

    def list_valid(self, fact: Any) -> Iterator[tuple[Kind, datetime]]:
        """The events of a fact that count, with their times."""
        if getattr(fact, WITHDRAWAL, None) is not None:
            return
        if self.has_started(fact):
            yield self.start, getattr(fact, self.start_column)
        end = getattr(fact, self.end_column) if self.end_column else None
        if end is not None and (kind := self.end_kind(fact)) is not None:
            yield kind, end


def _describe_loading(loading: Loading) -> dict[str, Any]:
    return {"spool": loading.spool_id, "toolhead": loading.toolhead_id, "slot": loading.slot}


def _describe_run(run: DryingRun) -> dict[str, Any]:
    return {
        "spool": run.spool_id,
        "place": run.dryer_id,
        "set_point_c": run.set_point_c,
        "planned_hours": run.planned_hours,
    }


def _describe_fitting(fitting: Fitting) -> dict[str, Any]:
    site = {"toolhead": fitting.toolhead_id, "printer": fitting.printer_id}
    return {"part": fitting.part_id, **site, "removal": fitting.removal or None}


def _describe_service(entry: ServiceEntry) -> dict[str, Any]:
    return {"service": entry.kind_id, "toolhead": entry.toolhead_id, "printer": entry.printer_id}


ENDS = {stage: Kind(f"job.{stage}") for stage in Job.ENDED}
FACTS: dict[type[Model], FactEvents] = {
    Spool: FactEvents(
        Kind.SPOOL_RECEIVED, "received_at", lambda spool: {"spool": spool.pk, "feedstock": spool.feedstock_id}
    ),
    Opening: FactEvents(Kind.SPOOL_OPENED, "at", lambda opening: {"spool": opening.spool_id}),
    Move: FactEvents(
        Kind.SPOOL_MOVED,
        "at",
        lambda move: {
            "spool": move.spool_id,
            "place": move.place_id,
            "until": move.until and move.until.isoformat(),
        },
    ),
    Ending: FactEvents(
        Kind.SPOOL_ENDED, "at", lambda ending: {"spool": ending.spool_id, "ending": ending.kind}
    ),
    Loading: FactEvents(
        Kind.SPOOL_LOADED, "start", _describe_loading, "end", lambda loading: Kind.SPOOL_UNLOADED
    ),
    DryingRun: FactEvents(Kind.DRYING_STARTED, "start", _describe_run, "end", lambda run: Kind.DRYING_ENDED),
    Fitting: FactEvents(
        Kind.PART_FITTED, "start", _describe_fitting, "end", lambda fitting: Kind.PART_REMOVED
    ),
    ServiceEntry: FactEvents(Kind.SERVICE_DONE, "at", _describe_service),
    Job: FactEvents(
        Kind.JOB_STARTED,
        "start",
        lambda job: {"job": job.pk, "printer": job.printer_id},
        "end",
        lambda job: ENDS.get(job.stage),
        starts_later=True,
        has_started=lambda job: job.stage != Job.Stage.PLANNED,
    ),
}


def watch_facts() -> None:
    """Write events of the rows of these facts, whatever saves them."""
    for model in FACTS:
        post_save.connect(_note_fact, model, dispatch_uid=f"maintenance.events.{model._meta.label}")


def add_event(kind: Kind, at: datetime, fact: str, data: dict[str, Any]) -> ShopEvent:
    """Write an event in the caller's transaction."""
    return ShopEvent.objects.create(kind=kind, at=at, fact=fact, data=data)


def _note_fact(
    sender: type[Model], instance: Any, created: bool, update_fields: Any = None, raw: bool = False, **_: Any
) -> None:
    events = FACTS[sender]
    if raw or not (created or update_fields is None or events.columns & {*update_fields}):
        return
    fact = f"{sender._meta.model_name}:{instance.pk}"
    wanted = dict(events.list_valid(instance))
    former, present = (set(), {}) if created else _find_present(fact)
    if not created and not events.starts_later and events.start not in former:
        # Recorded before the log began.
        wanted.pop(events.start, None)
    add = partial(ShopEvent.objects.create, fact=fact)
    for kind, event in present.items():
        if wanted.get(kind) == event.at:
            del wanted[kind]
        else:
            data = event.data | {"former": kind}
            add(kind=Kind.WITHDRAWN, at=timezone.now(), data=data, withdraws=event.uid)
    for kind, at in wanted.items():
        add(kind=kind, at=at, data=events.describe(instance))


def _find_present(fact: str) -> tuple[set[Kind], dict[Kind, ShopEvent]]:
    """The kinds of events that a fact ever had, and its events that count."""
    kinds: set[Kind] = set()
    present: dict[Kind, ShopEvent] = {}
    for event in ShopEvent.objects.filter(fact=fact).order_by("pk"):
        if event.kind == Kind.WITHDRAWN:
            present = {kind: row for kind, row in present.items() if row.uid != event.withdraws}
        else:
            kinds.add(Kind(event.kind))
            present[Kind(event.kind)] = event
    return kinds, present
