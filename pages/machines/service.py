"""Service of a machine: how far along each is, done in one tap, and what was done."""

from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.text import capfirst
from django.utils.translation import gettext as _

from maintenance.models import Printer, ServiceEntry, ServiceKind
from maintenance.parts.life import FORESEEABLE
from maintenance.parts.wording import format_far_day
from maintenance.readiness.material_changes import load_last_materials
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD
from maintenance.service.intervals import ServiceStatus, load_service_statuses
from maintenance.service.records import record_service, save_kind
from maintenance.wear.residue import advise_pull
from pages.frame.forms import apply, post_data
from pages.machines.service_forms import ServiceForm, ServiceKindForm

SHOWN_ENTRIES = 50


def service(request: HttpRequest, pk: int) -> HttpResponse:
    printer = get_object_or_404(Printer, pk=pk)
    toolheads = list(printer.toolheads.in_use().select_related("printer"))
    fed = load_last_materials([toolhead.pk for toolhead in toolheads])
    rows = []
    for status in sorted(load_service_statuses(toolheads), key=lambda status: -status.since.share):
        row = status_row(status)
        if status.toolhead and status.kind.work == ServiceKind.Work.HOT_END and fed[status.toolhead.pk]:
            row["pull"] = advise_pull(fed[status.toolhead.pk][0].spool.feedstock.polymer.name)
        rows.append(row)
    entries = ServiceEntry.objects.filter(printer=printer).select_related("kind", "toolhead", "recorded_by")
    unused = ServiceKind.objects.filter(in_use=False)
    context = {"printer": printer, "rows": rows, "entries": entries[:SHOWN_ENTRIES], "unused": unused}
    return render(request, "machines/service/machine.html", context)


def status_row(status: ServiceStatus) -> dict[str, Any]:
    """A service as a page shows it: its state, and when it is due at the present rate of use."""
    since = status.since
    state = HOLD if since.overdue and since.stops else CAUTION if since.overdue else CLEAR
    days = since.days_left
    due_at = timezone.now() + timedelta(days=days) if 0 < days < FORESEEABLE.days else None
    return {
        "status": status,
        "since": since,
        "state": state,
        "due_at": due_at,
        "due_day": due_at and format_far_day(due_at),
        "percent": round(100 * min(1.0, since.share)),
    }


def service_done(request: HttpRequest, pk: int) -> HttpResponse:
    """The button beside a service posts what is done now; the form asks when, for what was done before."""
    printer = get_object_or_404(Printer, pk=pk)
    initial = {name: request.GET.get(name) for name in ("kind", "toolhead")}
    form = ServiceForm(post_data(request), printer=printer, initial=initial)

    def record(data: dict) -> None:
        kind, toolhead = data["kind"], data["toolhead"]
        if kind.subject != ServiceKind.Subject.TOOLHEAD:
            toolhead = None
        record_service(
            kind, printer=printer, toolhead=toolhead, at=data["when"], note=data["note"], by=request.user
        )

    if apply(form, record):
        done = _("{service}: recorded as done.").format(service=capfirst(_(form.cleaned_data["kind"].name)))
        messages.success(request, done)
        return redirect("service", pk)
    return render(request, "machines/service/done.html", {"form": form, "printer": printer})


def service_kind(request: HttpRequest, pk: int | None = None) -> HttpResponse:
    """Add a service, or correct one: its interval, whether it stops the machine, whether it is used."""
    kind = get_object_or_404(ServiceKind, pk=pk) if pk else None
    form = ServiceKindForm(post_data(request), instance=kind)
    if apply(form, lambda data: save_kind(form.instance)):
        messages.success(request, _("Saved: {name}.").format(name=_(form.instance.name)))
        return redirect("machines")
    return render(request, "machines/service/kind.html", {"form": form, "kind": kind})
