"""Loading a spool on a toolhead, with the verdict before it is confirmed, and taking it off."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from maintenance.loading import load_spool, unload_spool
from maintenance.models import Loading, Toolhead
from maintenance.situation import verdict, verdicts
from spools.labels import pretty
from spools.models import Spool
from spools.pages.forms import carried_out, sent

from .forms_spool import LoadForm, UnloadForm
from .spool_access import of_spool


@of_spool
def spool_load(request: HttpRequest, spool: Spool) -> HttpResponse:
    """Without a toolhead the choice, each with its verdict; with one its verdict and the confirmation."""
    in_use = Toolhead.objects.filter(printer__retired_at=None).select_related("printer__place")
    asked = request.POST.get("toolhead") or request.GET.get("toolhead")
    if asked is None:
        return _choose(request, spool, list(in_use))
    toolhead = get_object_or_404(in_use, pk=asked if asked.isdecimal() and len(asked) < 18 else 0)
    found = verdict(toolhead, spool)
    there = (
        Loading.objects.filter(toolhead=toolhead, end=None).select_related("spool__feedstock__maker").first()
    )
    form = LoadForm(sent(request), hold=found.state == "hold")
    if carried_out(
        form,
        lambda data: load_spool(
            toolhead,
            spool,
            at=data["when"],
            override_reason=data.get("override_reason", ""),
            by=request.user,
        ),
    ):
        messages.success(request, f"{pretty(spool.code)} is loaded on {toolhead}.")
        return redirect("spool", spool.code)
    context = {"spool": spool, "toolhead": toolhead, "verdict": found, "there": there, "form": form}
    return render(request, "spools/load.html", context)


def _choose(request: HttpRequest, spool: Spool, toolheads: list[Toolhead]) -> HttpResponse:
    found = verdicts([(toolhead, spool) for toolhead in toolheads], None)
    loaded = Loading.objects.filter(end=None).select_related("spool__feedstock__maker")
    by_toolhead = {loading.toolhead_id: loading.spool for loading in loaded}
    rows = [(toolhead, found[toolhead.pk, spool.pk], by_toolhead.get(toolhead.pk)) for toolhead in toolheads]
    return render(request, "spools/choose_toolhead.html", {"spool": spool, "rows": rows})


@of_spool
def spool_unload(request: HttpRequest, spool: Spool) -> HttpResponse:
    loading = Loading.objects.filter(spool=spool, end=None).select_related("toolhead__printer__place").first()
    if loading is None:
        messages.error(request, f"{pretty(spool.code)} is on no toolhead.")
        return redirect("spool", spool.code)
    form = UnloadForm(sent(request), here=loading.toolhead.printer.place)
    if carried_out(form, lambda data: unload_spool(loading, data["place"], at=data["when"], by=request.user)):
        messages.success(
            request, f"{pretty(spool.code)} is off {loading.toolhead} and in {form.cleaned_data['place']}."
        )
        return redirect("spool", spool.code)
    return render(request, "spools/unload.html", {"spool": spool, "loading": loading, "form": form})
