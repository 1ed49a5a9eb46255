"""Parts of a toolhead: fit from stock, replace in two taps, take off."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from maintenance import parts
from maintenance.models import Fitting, Part, PartKind, Toolhead
from spools.pages.forms import carried_out, sent

from .forms_shop import FitForm, RemoveForm, ReplaceForm
from .machines import part_row


@login_required
def part_fit(request: HttpRequest, pk: int) -> HttpResponse:
    """Parts for the roles of a toolhead that are free."""
    toolhead = get_object_or_404(Toolhead.objects.select_related("printer"), pk=pk)
    taken = toolhead.fittings.filter(end=None).values("role")
    kinds = list(PartKind.objects.exclude(role__in=taken))
    form = FitForm(
        sent(request),
        kinds=kinds,
        counts=parts.in_stock(kinds),
        used=list(_sound().filter(kind__in=kinds)),
    )

    def fit(data: dict) -> Fitting:
        source, options = data["source"], {"at": data["when"], "by": request.user}
        if source in form.kinds:
            return parts.fit_part(toolhead, form.kinds[source], **options)
        return parts.fit_existing(form.used[source], toolhead, **options)

    if carried_out(form, fit):
        messages.success(request, f"The part is fitted to {toolhead}.")
        return redirect("machine", toolhead.printer_id)
    return render(request, "machines/fit.html", {"form": form, "toolhead": toolhead})


def _sound() -> QuerySet[Part]:
    """Parts in the drawer that were taken off sound or for a better one."""
    off = Fitting.objects.filter(removal__in=[Fitting.Removal.SOUND, Fitting.Removal.UPGRADED])
    spent = Fitting.objects.filter(removal__in=[Fitting.Removal.WORN, Fitting.Removal.LOST])
    fitted = Fitting.objects.filter(end=None)
    return (
        Part.objects.filter(fittings__in=off)
        .exclude(fittings__in=fitted)
        .exclude(fittings__in=spent)
        .select_related("kind")
        .distinct()
    )


@login_required
def part_replace(request: HttpRequest, pk: int) -> HttpResponse:
    """Kind and reason are chosen beforehand: the second tap is the button."""
    fitting = _fitted(pk)
    kinds = PartKind.objects.filter(role=fitting.role)
    counts = parts.in_stock(kinds)
    form = ReplaceForm(
        sent(request),
        kinds=kinds,
        counts=counts,
        initial={"kind": fitting.part.kind_id, "removal": Fitting.Removal.WORN},
    )
    if carried_out(
        form,
        lambda data: parts.replace_part(
            fitting.toolhead,
            fitting.role,
            data["kind"],
            removal=data["removal"],
            at=data["when"],
            by=request.user,
        ),
    ):
        messages.success(request, f"{form.cleaned_data['kind']} is fitted to {fitting.toolhead}.")
        return redirect("machine", fitting.toolhead.printer_id)
    left = parts.life_left([fitting.part]).get(fitting.part_id)
    part = part_row(fitting.get_role_display(), fitting, left, counts.get(fitting.part.kind_id, 0))
    return render(request, "machines/replace.html", {"form": form, "fitting": fitting, "part": part})


@login_required
def part_remove(request: HttpRequest, pk: int) -> HttpResponse:
    fitting = _fitted(pk)
    form = RemoveForm(sent(request), initial={"removal": Fitting.Removal.SOUND})
    if carried_out(
        form,
        lambda data: parts.remove_part(fitting, removal=data["removal"], at=data["when"], by=request.user),
    ):
        messages.success(request, f"{fitting.part} is off {fitting.toolhead}.")
        return redirect("machine", fitting.toolhead.printer_id)
    return render(request, "machines/remove.html", {"form": form, "fitting": fitting})


def _fitted(pk: int) -> Fitting:
    return get_object_or_404(
        Fitting.objects.select_related("part__kind", "toolhead__printer"), pk=pk, end=None
    )
