"""Events for a reader outside: the names of their subjects, and their sentences in the reader's language."""

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from django.db.models import QuerySet
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from maintenance.models import Fitting, Job, Part, PartKind, Printer, ServiceKind, ShopEvent, Toolhead
from spools.models import Ending, Feedstock, Place, Spool
from spools.sentences import fill

Kind = ShopEvent.Kind
STATES = {"clear": _("clear"), "caution": _("caution"), "hold": _("hold")}
SENTENCES = {
    Kind.SPOOL_RECEIVED: _("Spool {spool!c} of {feedstock_name} was received."),
    Kind.SPOOL_OPENED: _("The bag of spool {spool!c} was opened."),
    Kind.SPOOL_MOVED: _("Spool {spool!c} came to {place_name}[ and left it on {until!t}]."),
    Kind.SPOOL_ENDED: _("Spool {spool!c} is out of use: {ending_label}."),
    Kind.SPOOL_LOADED: _("Spool {spool!c} was loaded on {toolhead_name}[, slot {slot}]."),
    Kind.SPOOL_UNLOADED: _("Spool {spool!c} was taken off {toolhead_name}[, slot {slot}]."),
    Kind.DRYING_STARTED: _("Drying of spool {spool!c} in {place_name} at {set_point_c!o} began."),
    Kind.DRYING_ENDED: _("Drying of spool {spool!c} in {place_name} ended."),
    Kind.JOB_STARTED: _("Job “{job_name}” on {printer_name} started."),
    Kind.JOB_FINISHED: _("Job “{job_name}” on {printer_name} finished."),
    Kind.JOB_FAILED: _("Job “{job_name}” on {printer_name} failed."),
    Kind.JOB_STOPPED: _("Job “{job_name}” on {printer_name} was stopped."),
    Kind.PART_FITTED: _("{part_name} was fitted to [{toolhead_name}|{printer_name}]."),
    Kind.PART_REMOVED: _("{part_name} was removed from [{toolhead_name}|{printer_name}]: {removal_label}."),
    Kind.SERVICE_DONE: _("{service_name!g}: done on [{toolhead_name}|{printer_name}]."),
    Kind.VERDICT_CHANGED: _(
        "The verdict of spool {spool!c} on {toolhead_name}[, slot {slot}] is now {verdict_label}, before {before_label}."
    ),
    Kind.STOCK_LOW: _("Stock is low: [{part_kind_name!g}|{feedstock_name}]."),
}
# Codes in the data of events, with their words in a sentence.
LABELS: dict[str, Mapping[Any, Any]] = {
    "ending": dict(Ending.Kind.choices),
    "removal": dict(Fitting.Removal.choices),
    "verdict": STATES,
    "before": STATES,
}
# The rows that are named in the data of events by their ids.
SUBJECTS: dict[str, Callable[[], QuerySet[Any]]] = {
    "feedstock": lambda: Feedstock.objects.select_related("maker"),
    "job": Job.objects.all,
    "part": lambda: Part.objects.select_related("kind"),
    "part_kind": PartKind.objects.all,
    "place": Place.objects.all,
    "printer": Printer.objects.all,
    "service": ServiceKind.objects.all,
    "toolhead": lambda: Toolhead.objects.select_related("printer"),
}
VALUES = {*SUBJECTS, *(f"{name}_name" for name in SUBJECTS), "spool", "slot", "until", "set_point_c"}


def name_subjects(events: Iterable[ShopEvent]) -> list[dict[str, Any]]:
    """The data of events with the code of the spool and the names of the other subjects. One query for each kind of these.

    slot: None on a toolhead that has one.
    """
    rows = [dict(event.data) for event in events]
    spools = Spool.objects.filter(pk__in={row["spool"] for row in rows if "spool" in row})
    codes = dict(spools.values_list("pk", "code")) if any("spool" in row for row in rows) else {}
    known = {}
    for name, subjects in SUBJECTS.items():
        ids = {row[name] for row in rows if row.get(name) is not None}
        known[name] = subjects().in_bulk(ids) if ids else {}
    for row in rows:
        if "spool" in row:
            row["spool"] = codes.get(row["spool"])
        for name, by_id in known.items():
            if row.get(name) is not None:
                # A kind of part may have been deleted.
                row[f"{name}_name"] = str(by_id.get(row[name], ""))
        if "slot" in row and (toolhead := known["toolhead"].get(row["toolhead"])) and toolhead.slots == 1:
            row["slot"] = None
    return rows


def build_body(event: ShopEvent, data: dict[str, Any]) -> dict[str, Any]:
    """An event for a reader outside, without its sentence. data: from name_subjects. Times are UTC, as ISO 8601."""
    return {
        "sequence": event.sequence,
        "id": str(event.uid),
        "kind": event.kind,
        "at": event.at.isoformat(),
        "recorded_at": event.recorded_at.isoformat(),
        "fact": event.fact,
        "withdraws": event.withdraws and str(event.withdraws),
        "data": data,
    }


def write_sentence(body: Mapping[str, Any]) -> str:
    """The sentence of an event, for a person. body: from build_body."""
    data, kind = body["data"], body["kind"]
    if kind == Kind.WITHDRAWN:
        former = write_sentence({"kind": data["former"], "data": data})
        return gettext("No longer counts: {former}").format(former=former)
    labels = {f"{name}_label": str(words.get(data.get(name), "")) for name, words in LABELS.items()}
    return fill(SENTENCES[kind], **dict.fromkeys(VALUES, None) | data | labels)
