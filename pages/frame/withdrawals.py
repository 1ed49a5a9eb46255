"""One page for withdrawing any fact that was recorded by mistake."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from maintenance.models import (
    BoreReading,
    Fitting,
    FlowCheck,
    Job,
    JobEvent,
    Loading,
    PrinterEvent,
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
    SensorPlacement,
)
from spools.wording import format_exact, format_mass, format_temperature, format_time

if TYPE_CHECKING:
    from django.utils.functional import _StrPromise


BY_MISTAKE = gettext_lazy("For a fact that was recorded by mistake.")


@dataclass(frozen=True)
class FactKind:
    """A kind of fact as the page shows it: its title, what withdrawing changes, and the page to return to.

    occasion: when to withdraw it.
    """

    facts: QuerySet[Any]
    title: Callable[[Any], str]
    consequence: "str | _StrPromise"
    page: Callable[[Any], str]
    occasion: "str | _StrPromise" = BY_MISTAKE


def _mass_entry_title(entry: MassEntry) -> str:
    spool = pretty(entry.spool.code)
    if entry.gross_g is not None:
        return _("weighing of {mass}, spool {spool}").format(mass=format_mass(entry.gross_g, -2), spool=spool)
    mass = format_mass(-(entry.net_change_g or 0), -2)
    return _("{mass} {kind}, spool {spool}").format(mass=mass, kind=entry.get_kind_display(), spool=spool)


def _placement_title(placement: SensorPlacement) -> str:
    time = format_time(placement.start)
    if placement.place is None:
        return _("{sensor} without a place since {time}").format(sensor=placement.sensor, time=time)
    return _("{sensor} in {place} since {time}").format(
        sensor=placement.sensor, place=placement.place, time=time
    )


def _move_title(move: Move) -> str:
    text = (
        _("move of spool {spool} to {place} on {time}")
        if move.until is None
        else _("past stay of spool {spool} in {place} on {time}")
    )
    return text.format(spool=pretty(move.spool.code), place=move.place, time=format_time(move.at))


KINDS = {
    "job": FactKind(
        Job.objects.all(),
        lambda job: _("job {job}").format(job=job),
        gettext_lazy("Its grams are on the spool again and its wear is off the parts."),
        lambda job: reverse("job", args=[job.pk]),
    ),
    "job-event": FactKind(
        JobEvent.objects.select_related("job"),
        str,
        gettext_lazy("The job is as it was before this step; grams and wear follow."),
        lambda event: reverse("job", args=[event.job_id]),
    ),
    "printer-event": FactKind(
        PrinterEvent.objects.select_related("printer"),
        str,
        gettext_lazy("The job follows from the other events of its print, as if this one had never come."),
        lambda event: (
            reverse("job", args=[event.job_id])
            if event.job_id
            else reverse("machine", args=[event.printer_id])
        ),
    ),
    "flow-check": FactKind(
        FlowCheck.objects.select_related("toolhead__printer"),
        lambda check: _("flow check of {toolhead}").format(toolhead=check.toolhead),
        gettext_lazy("Its grams are on the spool again."),
        lambda check: reverse("flow-check", args=[check.pk]),
    ),
    "bore": FactKind(
        BoreReading.objects.select_related("part__kind"),
        lambda reading: _("bore of {bore} mm, {part}").format(
            bore=format_exact(reading.bore_mm), part=reading.part
        ),
        gettext_lazy("The life of the part is computed without it."),
        lambda reading: reverse("part", args=[reading.part_id]),
    ),
    "fitting": FactKind(
        Fitting.objects.select_related("part__kind", "toolhead__printer", "printer"),
        lambda fitting: _("fitting of {part} to {site}").format(part=fitting.part, site=fitting.site),
        gettext_lazy(
            "A part from stock is in stock again, and jobs did not wear it there. A wrong removal alone is corrected on "
            "the part's page."
        ),
        lambda fitting: reverse("part", args=[fitting.part_id]),
    ),
    "prior-use": FactKind(
        PriorUse.objects.select_related("part__kind"),
        lambda prior: _("use before, {use}, of {part}").format(use=prior, part=prior.part),
        gettext_lazy("The part counts as it did before: new, or as stated earlier."),
        lambda prior: reverse("part", args=[prior.part_id]),
    ),
    "stock": FactKind(
        StockEntry.objects.select_related("kind"),
        lambda entry: f"{entry.change:+g} {entry.kind.stock_unit} {entry.kind}",
        gettext_lazy("The stock is counted without it."),
        lambda entry: reverse("part-kind", args=[entry.kind_id]),
    ),
    "service": FactKind(
        ServiceEntry.objects.select_related("kind", "toolhead__printer", "printer"),
        lambda entry: str(entry),
        gettext_lazy("Its interval counts on as before."),
        lambda entry: reverse("service", args=[entry.printer_id]),
    ),
    "coupon-test": FactKind(
        CouponTest.objects.select_related("feedstock__maker"),
        lambda test: _("coupon test at {temperature}, {feedstock}").format(
            temperature=format_temperature(test.temperature_c), feedstock=test.feedstock
        ),
        gettext_lazy(
            "Caps of the drying temperature no longer heed it. A run that has begun goes on as it is: check its "
            "set point."
        ),
        lambda test: reverse("feedstock", args=[test.feedstock_id]),
    ),
    "charge": FactKind(
        DesiccantCharge.objects.select_related("place"),
        lambda charge: f"{charge}, {charge.place}",
        gettext_lazy("The box is computed as if it had not been put in."),
        lambda charge: reverse("place", args=[charge.place_id]),
    ),
    "salt-check": FactKind(
        SaltCheck.objects.select_related("place"),
        lambda check: f"{check}, {check.place}",
        gettext_lazy("The readings since count as if it had not been made."),
        lambda check: reverse("place", args=[check.place_id]),
    ),
    "sensor-placement": FactKind(
        SensorPlacement.objects.select_related("sensor", "place"),
        _placement_title,
        gettext_lazy(
            "Readings that came by it stay with the place: withdraw them there. Later values follow the placement before it."
        ),
        lambda placement: reverse("sensor", args=[placement.sensor_id]),
    ),
    "mass-entry": FactKind(
        MassEntry.objects.select_related("spool"),
        _mass_entry_title,
        gettext_lazy("Amount and moisture of the spool are computed without it."),
        lambda entry: reverse("spool", args=[entry.spool.code]),
    ),
    "opening": FactKind(
        Opening.objects.select_related("spool"),
        lambda opening: _("opening of the bag of spool {spool}").format(spool=pretty(opening.spool.code)),
        gettext_lazy("The bag counts as unopened, unless it was loaded, dried or printed from."),
        lambda opening: reverse("spool", args=[opening.spool.code]),
    ),
    "ending": FactKind(
        Ending.objects.select_related("spool"),
        lambda ending: _("end of spool {spool} as {kind}").format(
            spool=pretty(ending.spool.code), kind=ending.get_kind_display()
        ),
        gettext_lazy(
            "The spool goes on from its facts, in the place where it was then. Move it if it is elsewhere."
        ),
        lambda ending: reverse("spool", args=[ending.spool.code]),
        gettext_lazy("For a spool that turned up, or was taken out of use by mistake."),
    ),
    "joining": FactKind(
        Joining.objects.select_related("added__spool", "taken__spool"),
        lambda joining: _("joint of spool {spool} onto {other}").format(
            spool=pretty(joining.taken.spool.code), other=pretty(joining.added.spool.code)
        ),
        gettext_lazy("Its grams are on the spool from which they came."),
        lambda joining: reverse("spool", args=[joining.added.spool.code]),
    ),
    "respooling": FactKind(
        Respooling.objects.select_related("spool"),
        lambda fact: _("winding of spool {spool} onto another reel").format(spool=pretty(fact.spool.code)),
        gettext_lazy("The spool is on its reel of before again; all weighings have that reel in them."),
        lambda fact: reverse("spool", args=[fact.spool.code]),
    ),
    "readings": FactKind(
        ReadingWithdrawal.objects.select_related("place"),
        lambda span: _("withdrawal of readings of {place} from {start} to {end}").format(
            place=span.place, start=format_time(span.start), end=format_time(span.end)
        ),
        gettext_lazy("The readings count again, but for those that were replaced by the right values."),
        lambda span: reverse("place", args=[span.place_id]),
        gettext_lazy("For readings that were right."),
    ),
    "drying-run": FactKind(
        DryingRun.recorded.select_related("spool", "dryer"),
        lambda run: _("drying run of spool {spool} in {dryer} from {time}").format(
            spool=pretty(run.spool.code), dryer=run.dryer, time=format_time(run.start)
        ),
        gettext_lazy("The spool counts as where it was before, never dried then. Its weighings still count."),
        lambda run: reverse("spool", args=[run.spool.code]),
    ),
    "loading": FactKind(
        Loading.recorded.select_related("spool", "toolhead__printer"),
        lambda loading: _("loading of spool {spool} on {site} from {time}").format(
            spool=pretty(loading.spool.code), site=loading.site, time=format_time(loading.start)
        ),
        gettext_lazy("The spool counts as where it was before, as if never loaded."),
        lambda loading: reverse("spool", args=[loading.spool.code]),
    ),
    "move": FactKind(
        Move.objects.select_related("spool", "place"),
        _move_title,
        gettext_lazy("The spool counts as where it was before, and its moisture is computed so."),
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
        lambda request: _("print request {request}").format(request=request),
        gettext_lazy(
            "It is off the list. Dryings that are planned for it stay until the week is planned again."
        ),
        lambda request: reverse("week"),
        gettext_lazy("For a print that was made, or is not needed any more."),
    ),
}


class WithdrawForm(forms.Form):
    reason = forms.CharField(label=gettext_lazy("Reason"), max_length=MAX_REASON_LENGTH)


def withdraw_fact(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    fact_kind = KINDS.get(kind)
    if fact_kind is None:
        raise Http404
    fact = get_object_or_404(fact_kind.facts.select_related("withdrawn_by", "recorded_by"), pk=pk)
    form = WithdrawForm(post_data(request))
    title, page = fact_kind.title(fact), fact_kind.page(fact)
    if apply(form, lambda data: withdraw(fact, by=request.user, reason=data["reason"])):
        messages.success(
            request,
            _("Withdrawn: {title}. {consequence}").format(title=title, consequence=fact_kind.consequence),
        )
        return redirect(page)
    context = {"fact": fact, "form": form, "title": title, "kind": fact_kind, "page": page}
    return render(request, "frame/withdraw.html", context)
