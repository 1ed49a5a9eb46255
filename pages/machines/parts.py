"""Parts: one part's own page; fit from stock, replace in two taps, take off, measure a bore."""

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from maintenance.models import BoreReading, Fitting, Part, PartKind, Printer, Toolhead
from maintenance.models.parts import IN_NO_MACHINE, ON_A_PRINTER
from maintenance.parts.corrections import correct_removal, withdraw_removal
from maintenance.parts.fitting import (
    SPENT,
    Site,
    describe_removal,
    fit_existing,
    fit_part,
    fit_used,
    record_bore,
    record_prior_use,
    remove_part,
    replace_part,
)
from maintenance.parts.life import PartWear, load_part_wear
from maintenance.parts.wear_entries import in_stock
from pages.frame.forms import apply, post_data
from pages.frame.withdrawals import WithdrawForm
from pages.machines.part_forms import (
    BoreForm,
    CorrectRemovalForm,
    FitForm,
    FitUsedForm,
    PriorUseForm,
    RemoveForm,
    ReplaceForm,
)
from pages.machines.part_rows import build_row

SHOWN_JOBS = 10
FITTINGS = Fitting.objects.select_related("part__kind", "toolhead__printer", "printer")


def part(request: HttpRequest, pk: int) -> HttpResponse:
    """Its life, its bore, where it was, and what its last jobs did to it."""
    machine_part = get_object_or_404(Part.objects.select_related("kind"), pk=pk)
    part_wear = _load_wear(machine_part)
    wear_entries = machine_part.wear.select_related("part__kind", "use__job", "use__toolhead__printer")
    context = {
        "part": build_row(machine_part.kind.get_role_display(), part_wear),
        "part_wear": part_wear,
        "bore": part_wear.bore(),
        "readings": machine_part.bore_readings.select_related("recorded_by", "withdrawn_by").order_by(
            "-at", "-id"
        ),
        "fittings": machine_part.fittings.select_related(
            "toolhead__printer", "printer", "withdrawn_by", "removed_by", "recorded_by"
        ).order_by("-start", "-id"),
        "prior_uses": machine_part.prior_uses.select_related("withdrawn_by").order_by("-id"),
        "prior_form": PriorUseForm(life_units=[machine_part.kind.life_unit]),
        "wear": wear_entries.order_by("-use__job__start")[:SHOWN_JOBS],
    }
    return render(request, "machines/parts/detail.html", context)


def _load_wear(machine_part: Part) -> PartWear:
    return load_part_wear(Part.objects.filter(pk=machine_part.pk))[0]


def part_fit(request: HttpRequest, pk: int) -> HttpResponse:
    """Parts for the roles of a toolhead that are free."""
    toolhead = get_object_or_404(Toolhead.objects.select_related("printer"), pk=pk)
    kinds = PartKind.objects.exclude(role__in=[*ON_A_PRINTER, *IN_NO_MACHINE])
    return _fit_page(request, toolhead, kinds, toolhead.printer_id)


def printer_part_fit(request: HttpRequest, pk: int) -> HttpResponse:
    """Parts that the whole printer has once, for the roles that are free."""
    printer = get_object_or_404(Printer, pk=pk)
    return _fit_page(request, printer, PartKind.objects.filter(role__in=ON_A_PRINTER), pk)


def _fit_page(request: HttpRequest, site: Site, fitting: QuerySet[PartKind], machine: int) -> HttpResponse:
    kinds = list(_list_free_kinds(site, fitting))
    form = FitForm(
        post_data(request),
        kinds=kinds,
        counts=in_stock(kinds),
        used=list(_refittable_parts().filter(kind__in=kinds)),
    )

    def fit(data: dict) -> Fitting:
        source, options = data["source"], {"at": data["when"], "by": request.user}
        if source in form.kinds:
            return fit_part(site, form.kinds[source], **options)
        return fit_existing(form.used[source], site, **options)

    if apply(form, fit):
        messages.success(request, f"The part is fitted to {site}.")
        return redirect("machine", machine)
    context = {"form": form, "site": site, "machine": machine, "used": _used_address(site)}
    return render(request, "machines/fit.html", context)


def _list_free_kinds(site: Site, fitting: QuerySet[PartKind]) -> QuerySet[PartKind]:
    return fitting.exclude(role__in=site.fittings.valid().filter(end=None).values("role"))


def _used_address(site: Site) -> str:
    return reverse("part-fit-used" if isinstance(site, Toolhead) else "printer-part-fit-used", args=[site.pk])


def part_fit_used(request: HttpRequest, pk: int) -> HttpResponse:
    """A part of a toolhead that was used before it came into the records."""
    toolhead = get_object_or_404(Toolhead.objects.select_related("printer"), pk=pk)
    kinds = PartKind.objects.exclude(role__in=[*ON_A_PRINTER, *IN_NO_MACHINE])
    return _fit_used_page(request, toolhead, kinds, toolhead.printer_id)


def printer_part_fit_used(request: HttpRequest, pk: int) -> HttpResponse:
    printer = get_object_or_404(Printer, pk=pk)
    return _fit_used_page(request, printer, PartKind.objects.filter(role__in=ON_A_PRINTER), pk)


def _fit_used_page(
    request: HttpRequest, site: Site, fitting: QuerySet[PartKind], machine: int
) -> HttpResponse:
    form = FitUsedForm(post_data(request), kinds=_list_free_kinds(site, fitting))
    if apply(
        form,
        lambda data: fit_used(
            site,
            data["kind"],
            data["prior_unit"],
            data["prior_amount"],
            at=data["when"],
            by=request.user,
        ),
    ):
        messages.success(request, f"The part is fitted to {site}.")
        return redirect("machine", machine)
    return render(request, "machines/fit_used.html", {"form": form, "site": site, "machine": machine})


def prior_use(request: HttpRequest, pk: int) -> HttpResponse:
    """The use of a part before it came into the records, stated or corrected."""
    machine_part = get_object_or_404(Part.objects.select_related("kind"), pk=pk)
    form = PriorUseForm(post_data(request), life_units=[machine_part.kind.life_unit])
    if apply(
        form,
        lambda data: record_prior_use(
            machine_part, data["prior_unit"], data["prior_amount"], by=request.user
        ),
    ):
        messages.success(request, "Its life is computed with that.")
        return redirect("part", pk)
    return render(request, "machines/parts/prior_use.html", {"form": form, "part": machine_part})


def removal_correct(request: HttpRequest, pk: int) -> HttpResponse:
    """Another reason or time of a removal."""
    fitting = get_object_or_404(FITTINGS, pk=pk)
    form = CorrectRemovalForm(post_data(request), initial={"removal": fitting.removal})
    if apply(
        form,
        lambda data: correct_removal(
            fitting, data["removal"], reason=data["reason"], at=data["when"], by=request.user
        ),
    ):
        messages.success(request, "The removal is corrected; lives are learnt again.")
        return redirect("part", fitting.part_id)
    return render(request, "machines/parts/removal.html", {"form": form, "fitting": fitting})


def removal_withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    """The part never came off."""
    fitting = get_object_or_404(FITTINGS, pk=pk)
    form = WithdrawForm(post_data(request))
    if apply(form, lambda data: withdraw_removal(fitting, reason=data["reason"], by=request.user)):
        messages.success(request, f"{fitting.part} is on {fitting.site} as before.")
        return redirect("part", fitting.part_id)
    return render(
        request, "machines/parts/removal.html", {"form": form, "fitting": fitting, "withdraws": True}
    )


def _refittable_parts() -> QuerySet[Part]:
    """Parts in the drawer that were taken off sound or for a better one."""
    off = Fitting.objects.valid().filter(removal__in=[Fitting.Removal.SOUND, Fitting.Removal.UPGRADED])
    spent = Fitting.objects.valid().filter(removal__in=SPENT)
    fitted = Fitting.objects.valid().filter(end=None)
    return (
        Part.objects.filter(fittings__in=off)
        .exclude(fittings__in=fitted)
        .exclude(fittings__in=spent)
        .select_related("kind")
        .distinct()
    )


def part_replace(request: HttpRequest, pk: int) -> HttpResponse:
    """Kind and reason are chosen beforehand: the second tap is the button."""
    fitting = get_object_or_404(FITTINGS, pk=pk)
    if redirected := _redirect_if_removed(request, fitting):
        return redirected
    kinds = PartKind.objects.filter(role=fitting.role)
    counts = in_stock(kinds)
    form = ReplaceForm(
        post_data(request),
        kinds=kinds,
        counts=counts,
        initial={"kind": fitting.part.kind_id, "removal": Fitting.Removal.WORN},
    )
    if apply(
        form,
        lambda data: replace_part(
            fitting.site,
            fitting.role,
            data["kind"],
            removal=data["removal"],
            old=fitting,
            at=data["when"],
            by=request.user,
        ),
    ):
        messages.success(request, f"{form.cleaned_data['kind']} is fitted to {fitting.site}.")
        return redirect("machine", fitting.machine_id)
    row = build_row(fitting.get_role_display(), _load_wear(fitting.part))
    return render(request, "machines/replace.html", {"form": form, "fitting": fitting, "part": row})


def part_remove(request: HttpRequest, pk: int) -> HttpResponse:
    fitting = get_object_or_404(FITTINGS, pk=pk)
    if redirected := _redirect_if_removed(request, fitting):
        return redirected
    form = RemoveForm(post_data(request), initial={"removal": Fitting.Removal.SOUND})
    if apply(
        form,
        lambda data: remove_part(fitting, removal=data["removal"], at=data["when"], by=request.user),
    ):
        messages.success(request, f"{fitting.part} is off {fitting.site}.")
        return redirect("machine", fitting.machine_id)
    return render(request, "machines/remove.html", {"form": form, "fitting": fitting})


def _redirect_if_removed(request: HttpRequest, fitting: Fitting) -> HttpResponse | None:
    """After a second tap, or from an old page: to the machine, with since when the part is off."""
    removed = describe_removal(fitting)
    if not removed:
        return None
    messages.error(request, f"{removed} Nothing was changed.", extra_tags="part_removed_already")
    return redirect("machine", fitting.machine_id)


def bore_new(request: HttpRequest, pk: int) -> HttpResponse:
    nozzle = get_object_or_404(Part.objects.select_related("kind"), pk=pk, kind__bore_mm__isnull=False)
    form = BoreForm(post_data(request), initial={"error_mm": 0.01, "method": BoreReading.Method.PIN})
    if apply(
        form,
        lambda data: record_bore(
            nozzle,
            data["bore_mm"],
            data["error_mm"],
            data["method"],
            at=data["when"],
            note=data["note"],
            by=request.user,
        ),
    ):
        messages.success(request, f"{form.cleaned_data['bore_mm']:g} mm is recorded for {nozzle}.")
        return redirect("part", pk)
    return render(request, "machines/parts/bore.html", {"form": form, "part": nozzle})
