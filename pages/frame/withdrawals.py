"""One page for withdrawing any fact that was recorded by mistake."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from maintenance.models import (
    BoreReading,
    Fitting,
    FlowCheck,
    Job,
    JobEvent,
    Loading,
    PriorUse,
    ServiceEntry,
    StockEntry,
    TroubleOutcome,
)
from pages.frame.forms import apply, post_data
from spools.codes import pretty
from spools.facts import MAX_REASON_LENGTH, withdraw
from spools.models import (
    CouponTest,
    DesiccantCharge,
    DryingRun,
    Ending,
    Joining,
    MassEntry,
    Move,
    Opening,
    PrintRequest,
    ReadingWithdrawal,
    Respooling,
    SaltCheck,
)
from spools.wording import format_time


@dataclass(frozen=True)
class FactKind:
    """A kind of fact as the page shows it: its title, what withdrawing changes, and the page to return to.

    occasion: when to withdraw it.
    """

    facts: QuerySet[Any]
    title: Callable[[Any], str]
    consequence: str
    page: Callable[[Any], str]
    occasion: str = "For a fact that was recorded by mistake."


def _mass_entry_title(entry: MassEntry) -> str:
    if entry.gross_g is not None:
        entry_words = f"weighing of {entry.gross_g:g} g"
    else:
        entry_words = f"{-(entry.net_change_g or 0):g} g {entry.get_kind_display()}"
    return f"{entry_words}, spool {pretty(entry.spool.code)}"


def _move_title(move: Move) -> str:
    kind = "move" if move.until is None else "past stay"
    return f"{kind} of spool {pretty(move.spool.code)} to {move.place} on {format_time(move.at)}"


KINDS = {
    "job": FactKind(
        Job.objects.all(),
        lambda job: f"job {job}",
        "Its grams are on the spool again and its wear is off the parts.",
        lambda job: reverse("job", args=[job.pk]),
    ),
    "job-event": FactKind(
        JobEvent.objects.select_related("job"),
        str,
        "The job is as it was before this step; grams and wear follow.",
        lambda event: reverse("job", args=[event.job_id]),
    ),
    "flow-check": FactKind(
        FlowCheck.objects.select_related("toolhead__printer"),
        lambda check: f"flow check of {check.toolhead}",
        "Its grams are on the spool again.",
        lambda check: reverse("flow-check", args=[check.pk]),
    ),
    "bore": FactKind(
        BoreReading.objects.select_related("part__kind"),
        lambda reading: f"bore of {reading.bore_mm:g} mm, {reading.part}",
        "The life of the part is computed without it.",
        lambda reading: reverse("part", args=[reading.part_id]),
    ),
    "fitting": FactKind(
        Fitting.objects.select_related("part__kind", "toolhead__printer", "printer"),
        lambda fitting: f"fitting of {fitting.part} to {fitting.site}",
        "A part from stock is in stock again, and jobs did not wear it there. A wrong removal alone is corrected on "
        "the part's page.",
        lambda fitting: reverse("part", args=[fitting.part_id]),
    ),
    "prior-use": FactKind(
        PriorUse.objects.select_related("part__kind"),
        lambda prior: f"use before, {prior}, of {prior.part}",
        "The part counts as it did before: new, or as stated earlier.",
        lambda prior: reverse("part", args=[prior.part_id]),
    ),
    "stock": FactKind(
        StockEntry.objects.select_related("kind"),
        lambda entry: f"{entry.change:+g} {entry.kind.stock_unit} {entry.kind}",
        "The stock is counted without it.",
        lambda entry: reverse("part-kind", args=[entry.kind_id]),
    ),
    "service": FactKind(
        ServiceEntry.objects.select_related("kind", "toolhead__printer", "printer"),
        lambda entry: str(entry),
        "Its interval counts on as before.",
        lambda entry: reverse("service", args=[entry.printer_id]),
    ),
    "coupon-test": FactKind(
        CouponTest.objects.select_related("feedstock__maker"),
        lambda test: f"coupon test at {test.temperature_c:g} °C, {test.feedstock}",
        "Caps of the drying temperature no longer heed it. A run that has begun goes on as it is: check its "
        "set point.",
        lambda test: reverse("feedstock", args=[test.feedstock_id]),
    ),
    "charge": FactKind(
        DesiccantCharge.objects.select_related("place"),
        lambda charge: f"{charge}, {charge.place}",
        "The box is computed as if it had not been put in.",
        lambda charge: reverse("place", args=[charge.place_id]),
    ),
    "salt-check": FactKind(
        SaltCheck.objects.select_related("place"),
        lambda check: f"{check}, {check.place}",
        "The readings since count as if it had not been made.",
        lambda check: reverse("place", args=[check.place_id]),
    ),
    "mass-entry": FactKind(
        MassEntry.objects.select_related("spool"),
        _mass_entry_title,
        "Amount and moisture of the spool are computed without it.",
        lambda entry: reverse("spool", args=[entry.spool.code]),
    ),
    "opening": FactKind(
        Opening.objects.select_related("spool"),
        lambda opening: f"opening of the bag of spool {pretty(opening.spool.code)}",
        "The bag counts as unopened, unless it was loaded, dried or printed from.",
        lambda opening: reverse("spool", args=[opening.spool.code]),
    ),
    "ending": FactKind(
        Ending.objects.select_related("spool"),
        lambda ending: f"end of spool {pretty(ending.spool.code)} as {ending.get_kind_display()}",
        "The spool goes on from its facts, in the place where it was then. Move it if it is elsewhere.",
        lambda ending: reverse("spool", args=[ending.spool.code]),
        "For a spool that turned up, or was taken out of use by mistake.",
    ),
    "joining": FactKind(
        Joining.objects.select_related("added__spool", "taken__spool"),
        lambda joining: (
            f"joint of spool {pretty(joining.taken.spool.code)} onto {pretty(joining.added.spool.code)}"
        ),
        "Its grams are on the spool from which they came.",
        lambda joining: reverse("spool", args=[joining.added.spool.code]),
    ),
    "respooling": FactKind(
        Respooling.objects.select_related("spool"),
        lambda fact: f"winding of spool {pretty(fact.spool.code)} onto another reel",
        "The spool is on its reel of before again; all weighings have that reel in them.",
        lambda fact: reverse("spool", args=[fact.spool.code]),
    ),
    "readings": FactKind(
        ReadingWithdrawal.objects.select_related("place"),
        lambda span: (
            f"withdrawal of readings of {span.place} from {format_time(span.start)} to {format_time(span.end)}"
        ),
        "The readings count again, but for those that were replaced by the right values.",
        lambda span: reverse("place", args=[span.place_id]),
        "For readings that were right.",
    ),
    "drying-run": FactKind(
        DryingRun.recorded.select_related("spool", "dryer"),
        lambda run: (
            f"drying run of spool {pretty(run.spool.code)} in {run.dryer} from {format_time(run.start)}"
        ),
        "The spool counts as where it was before, never dried then. Its weighings still count.",
        lambda run: reverse("spool", args=[run.spool.code]),
    ),
    "loading": FactKind(
        Loading.recorded.select_related("spool", "toolhead__printer"),
        lambda loading: (
            f"loading of spool {pretty(loading.spool.code)} on {loading.site} from {format_time(loading.start)}"
        ),
        "The spool counts as where it was before, as if never loaded.",
        lambda loading: reverse("spool", args=[loading.spool.code]),
    ),
    "move": FactKind(
        Move.objects.select_related("spool", "place"),
        _move_title,
        "The spool counts as where it was before, and its moisture is computed so.",
        lambda move: reverse("spool", args=[move.spool.code]),
    ),
    "trouble-outcome": FactKind(
        TroubleOutcome.recorded.select_related("report"),
        lambda outcome: f"{outcome} as the cause",
        "The cause that was recorded before counts again.",
        lambda outcome: reverse("trouble", args=[outcome.report_id]),
    ),
    "print-request": FactKind(
        PrintRequest.objects.select_related("spool", "feedstock__maker", "polymer"),
        lambda request: f"print request {request}",
        "It is off the list. Dryings that are planned for it stay until the week is planned again.",
        lambda request: reverse("week"),
        "For a print that was made, or is not needed any more.",
    ),
}


class WithdrawForm(forms.Form):
    reason = forms.CharField(label="Reason", max_length=MAX_REASON_LENGTH)


def withdraw_fact(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    fact_kind = KINDS.get(kind)
    if fact_kind is None:
        raise Http404
    fact = get_object_or_404(fact_kind.facts.select_related("withdrawn_by", "recorded_by"), pk=pk)
    form = WithdrawForm(post_data(request))
    title, page = fact_kind.title(fact), fact_kind.page(fact)
    if apply(form, lambda data: withdraw(fact, by=request.user, reason=data["reason"])):
        messages.success(request, f"Withdrawn: {title}. {fact_kind.consequence}")
        return redirect(page)
    context = {"fact": fact, "form": form, "title": title, "kind": fact_kind, "page": page}
    return render(request, "frame/withdraw.html", context)
