"""Parts: one part's own page; fit from stock, replace in two taps, take off, measure a bore."""

from collections.abc import Iterable, Mapping

from django.contrib import messages
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _

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
from maintenance.parts.words import name_kind, name_part
from pages.frame.forms import apply, post_data
from pages.frame.way_back import find_way_back
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
from spools.wording import format_number

SHOWN_JOBS = 10
FITTINGS = Fitting.objects.select_related("part__kind", "toolhead__printer", "printer")


def part(request: HttpRequest, pk: int) -> HttpResponse:
    """Its life, its bore, where it was, and what its last jobs did to it."""
    machine_part = get_object_or_404(Part.objects.select_related("kind"), pk=pk)
    part_wear = _load_wear(machine_part)
    wear_entries = machine_part.wear.select_related("part__kind", "use__job", "use__toolhead__printer")
    context = {
        "part": build_row(part_wear),
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
    """Parts for the roles of a toolhead that are free, or for the one that is asked for."""
    return _fit_page(request, _get_toolhead(pk))


def printer_part_fit(request: HttpRequest, pk: int) -> HttpResponse:
    """Parts that the whole printer has once, likewise."""
    return _fit_page(request, get_object_or_404(Printer, pk=pk))


def part_fit_used(request: HttpRequest, pk: int) -> HttpResponse:
    """The part that is on a toolhead already, with its age or with an unknown one."""
    return _fit_used_page(request, _get_toolhead(pk))


def printer_part_fit_used(request: HttpRequest, pk: int) -> HttpResponse:
    return _fit_used_page(request, get_object_or_404(Printer, pk=pk))


def _get_toolhead(pk: int) -> Toolhead:
    return get_object_or_404(Toolhead.objects.select_related("printer"), pk=pk)


def _fit_page(request: HttpRequest, site: Site) -> HttpResponse:
    kinds, role = _list_free_kinds(request, site)
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
        messages.success(request, _("The part is fitted to {site}.").format(site=site))
        return redirect("machine", _machine_id(site))
    name = "part-fit-used" if isinstance(site, Toolhead) else "printer-part-fit-used"
    used = reverse(name, args=[site.pk]) + (f"?role={role}" if role else "")
    context = {"form": form, "site": site, "machine": _machine_id(site), "used": used, "kinds": kinds}
    return render(request, "machines/fit.html", context | {"role": role and PartKind.Role(role).label})


def _list_free_kinds(request: HttpRequest, site: Site) -> tuple[list[PartKind], str]:
    """The kinds for the free roles of a site, those that the shop has first within their role; and the role asked for."""
    on_site = Q(role__in=ON_A_PRINTER)
    if isinstance(site, Toolhead):
        on_site = ~Q(role__in=[*ON_A_PRINTER, *IN_NO_MACHINE])
    kinds = PartKind.objects.filter(on_site).exclude(
        role__in=site.fittings.valid().filter(end=None).values("role")
    )
    role = request.GET.get("role", "")
    if role not in PartKind.Role.values:
        role = ""
    if role:
        kinds = kinds.filter(role=role)
    fitted = set(Part.objects.filter(kind__in=kinds).values_list("kind", flat=True))
    had = fitted | in_stock(kinds).keys()
    order = PartKind.Role.values
    return sorted(kinds, key=lambda kind: (order.index(kind.role), kind.pk not in had, kind.name)), role


def _machine_id(site: Site) -> int:
    return site.printer_id if isinstance(site, Toolhead) else site.pk


def _fit_used_page(request: HttpRequest, site: Site) -> HttpResponse:
    kinds, role = _list_free_kinds(request, site)
    form = FitUsedForm(post_data(request), kinds=kinds)
    if apply(
        form,
        lambda data: fit_used(
            site, data["kind"], data["prior_unit"], data["prior_amount"], at=data["when"], by=request.user
        ),
    ):
        messages.success(
            request,
            _("{kind} is recorded on {site}.").format(kind=name_kind(form.cleaned_data["kind"]), site=site),
        )
        return redirect("machine", _machine_id(site))
    context = {"form": form, "site": site, "machine": _machine_id(site), "kinds": kinds}
    return render(request, "machines/fit_used.html", context | {"role": role and PartKind.Role(role).label})


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
        messages.success(request, _("Its life is computed with that."))
        return redirect("part", pk)
    return render(request, "machines/parts/prior_use.html", {"form": form, "part": machine_part})


def removal_correct(request: HttpRequest, pk: int) -> HttpResponse:
    """Another reason or time of a removal."""
    fitting = get_object_or_404(FITTINGS, pk=pk)
    form = CorrectRemovalForm(post_data(request), initial={"removal": fitting.removal, "when": fitting.end})
    if apply(
        form,
        lambda data: correct_removal(
            fitting, data["removal"], reason=data["reason"], at=data["when"], by=request.user
        ),
    ):
        messages.success(request, _("The removal is corrected; lives are learnt again."))
        return redirect("part", fitting.part_id)
    return render(request, "machines/parts/removal.html", {"form": form, "fitting": fitting})


def removal_withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    """The part never came off."""
    fitting = get_object_or_404(FITTINGS, pk=pk)
    form = WithdrawForm(post_data(request))
    if apply(form, lambda data: withdraw_removal(fitting, reason=data["reason"], by=request.user)):
        on_again = _("{part} is on {site} as before.").format(part=name_part(fitting.part), site=fitting.site)
        messages.success(request, on_again)
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
    """Kind and reason are chosen beforehand: the second tap is the button. It leads back to where the first was."""
    fitting = get_object_or_404(FITTINGS, pk=pk)
    back = find_way_back(request, reverse("machine", args=[fitting.machine_id]))
    if redirected := _redirect_if_removed(request, fitting):
        return redirected
    kinds = PartKind.objects.filter(role=fitting.role)
    counts = in_stock(kinds)
    form = ReplaceForm(
        post_data(request),
        kinds=kinds,
        counts=counts,
        initial={"kind": _find_likeliest(kinds, counts, fitting), "removal": Fitting.Removal.WORN},
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
        fitted = _("{kind} is fitted to {site}.")
        messages.success(request, fitted.format(kind=name_kind(form.cleaned_data["kind"]), site=fitting.site))
        return redirect(back)
    row = build_row(_load_wear(fitting.part))
    missing = [kind for kind in kinds if counts.get(kind.pk, 0) <= 0]
    context = {"form": form, "fitting": fitting, "part": row, "back": back, "missing": missing}
    return render(request, "machines/replace.html", context)


def _find_likeliest(kinds: Iterable[PartKind], counts: Mapping[int, float], old: Fitting) -> int | None:
    """The id of the kind in stock that takes the place of a part: the same, else one of the same bore."""
    there = [kind for kind in kinds if counts.get(kind.pk, 0) > 0]
    same = [kind for kind in there if kind.pk == old.part.kind_id]
    alike = [kind for kind in there if kind.bore_mm == old.part.kind.bore_mm]
    return next((kind.pk for kind in [*same, *alike]), None)


def part_remove(request: HttpRequest, pk: int) -> HttpResponse:
    fitting = get_object_or_404(FITTINGS, pk=pk)
    if redirected := _redirect_if_removed(request, fitting):
        return redirected
    form = RemoveForm(post_data(request), initial={"removal": Fitting.Removal.SOUND})
    if apply(
        form,
        lambda data: remove_part(fitting, removal=data["removal"], at=data["when"], by=request.user),
    ):
        messages.success(
            request, _("{part} is off {site}.").format(part=name_part(fitting.part), site=fitting.site)
        )
        return redirect("machine", fitting.machine_id)
    return render(
        request, "machines/remove.html", {"form": form, "fitting": fitting, "name": name_part(fitting.part)}
    )


def _redirect_if_removed(request: HttpRequest, fitting: Fitting) -> HttpResponse | None:
    """After a second tap, or from an old page: to the machine, with since when the part is off."""
    removed = describe_removal(fitting)
    if not removed:
        return None
    messages.error(
        request,
        _("{removed} Nothing was changed.").format(removed=removed),
        extra_tags="part_removed_already",
    )
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
        bore = format_number(form.cleaned_data["bore_mm"])
        messages.success(
            request, _("{bore} mm is recorded for {part}.").format(bore=bore, part=name_part(nozzle))
        )
        return redirect("part", pk)
    return render(request, "machines/parts/bore.html", {"form": form, "part": nozzle})
