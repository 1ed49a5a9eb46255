"""Loading a spool on a toolhead, with the verdict before it is confirmed, and taking it off."""

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from maintenance.machines.loading import load_spool, unload_spool
from maintenance.models import Loading
from maintenance.readiness.rules.service import material_change
from maintenance.readiness.verdict import HOLD
from pages.frame.forms import apply, post_data
from pages.spools.forms import LoadForm, UnloadForm
from pages.spools.lookup import with_spool
from pages.spools.verdicts import OnToolhead, judge_on_all_toolheads
from spools.codes import pretty
from spools.models import Spool


@with_spool
def spool_load(request: HttpRequest, spool: Spool) -> HttpResponse:
    """Without a toolhead the choice, each with its verdict; with one its verdict and the confirmation."""
    toolhead_id = request.POST.get("toolhead") or request.GET.get("toolhead")
    _, verdicts = judge_on_all_toolheads(spool)
    spools_on = _loaded_spools(verdicts)
    if toolhead_id is None:
        rows = [
            (machine.toolhead, verdict, spools_on.get(machine.loaded)) for machine, _, verdict in verdicts
        ]
        return render(request, "spools/choose_toolhead.html", {"spool": spool, "rows": rows})
    chosen = next((row for row in verdicts if str(row.machine.toolhead.pk) == toolhead_id), None)
    if chosen is None:
        raise Http404("There is no such toolhead in use.")
    machine, inputs, verdict = chosen
    current_toolhead = next(
        (row.machine.toolhead for row in verdicts if row.machine.loaded == spool.pk), None
    )
    if current_toolhead == machine.toolhead:
        messages.error(
            request, f"{pretty(spool.code)} is on {current_toolhead} already.", extra_tags="on_it_already"
        )
        return redirect("spool", spool.code)
    if current_toolhead is not None:
        messages.error(
            request,
            f"{pretty(spool.code)} is on {current_toolhead}. Take it off there first.",
            extra_tags="on_another",
        )
        return redirect("spool-unload", spool.code)
    current_spool, printer_place = spools_on.get(machine.loaded), machine.toolhead.printer.place
    form = LoadForm(
        post_data(request),
        hold=verdict.state == HOLD,
        current_spool=current_spool,
        printer_place=printer_place,
    )
    if apply(
        form,
        lambda data: load_spool(
            machine.toolhead,
            spool,
            at=data["when"],
            override_reason=data.get("override_reason", ""),
            unload_to=data.get("unload_to"),
            by=request.user,
        ),
    ):
        messages.success(request, f"{pretty(spool.code)} is loaded on {machine.toolhead}.")
        return redirect("spool", spool.code)
    change = material_change(inputs.material, inputs.toolhead, inputs.job.nozzle_c)
    context = {
        "spool": spool,
        "toolhead": machine.toolhead,
        "verdict": verdict,
        "form": form,
        "change": change,
    }
    return render(request, "spools/load.html", context | {"current_spool": current_spool})


def _loaded_spools(verdicts: list[OnToolhead]) -> dict[int | None, Spool]:
    """The spools that are on these toolheads, by their ids."""
    loaded = {row.machine.loaded for row in verdicts if row.machine.loaded is not None}
    return dict(Spool.objects.select_related("feedstock__maker").in_bulk(loaded))


@with_spool
def spool_unload(request: HttpRequest, spool: Spool) -> HttpResponse:
    loading = Loading.objects.present().filter(spool=spool).select_related("toolhead__printer__place").first()
    if loading is None:
        messages.error(request, f"{pretty(spool.code)} is on no toolhead.", extra_tags="on_no_toolhead")
        return redirect("spool", spool.code)
    form = UnloadForm(post_data(request), current_place=loading.toolhead.printer.place)
    if apply(form, lambda data: unload_spool(loading, data["place"], at=data["when"], by=request.user)):
        messages.success(
            request, f"{pretty(spool.code)} is off {loading.toolhead} and in {form.cleaned_data['place']}."
        )
        return redirect("spool", spool.code)
    return render(request, "spools/unload.html", {"spool": spool, "loading": loading, "form": form})
