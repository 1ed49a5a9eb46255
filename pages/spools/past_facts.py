"""Correct the times of drying runs and loadings, and add those that are over."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _

from maintenance.machines.past_loadings import correct_loading, record_past_loading
from maintenance.models import Loading
from pages.frame.forms import apply, post_data
from pages.spools.lookup import with_spool, with_spool_in_use
from pages.spools.past_fact_forms import CorrectLoadingForm, CorrectRunForm, PastLoadingForm, PastRunForm
from spools.codes import pretty
from spools.drying.past_runs import correct_run, record_past_run
from spools.drying.runs import DryingSettings
from spools.models import DryingRun, Spool


@with_spool_in_use
def past_run(request: HttpRequest, spool: Spool) -> HttpResponse:
    """A drying run that nobody recorded then."""
    form = PastRunForm(post_data(request))
    if apply(
        form,
        lambda data: record_past_run(
            spool,
            data["dryer"],
            DryingSettings(
                data["set_point_c"],
                first_set_point_c=data["first_set_point_c"],
                first_hours=data["first_hours"],
            ),
            (data["start"], data["end"]),
            gross_g=(data["before_g"], data["after_g"]),
            resolution_g=data["resolution_g"],
            by=request.user,
        ),
    ):
        messages.success(
            request,
            _("{spool} was drying in {dryer} then.").format(
                spool=pretty(spool.code), dryer=form.cleaned_data["dryer"]
            ),
        )
        return redirect("spool", spool.code)
    return render(request, "spools/past_run.html", {"spool": spool, "form": form})


@with_spool_in_use
def past_loading(request: HttpRequest, spool: Spool) -> HttpResponse:
    """A loading that nobody recorded then."""
    form = PastLoadingForm(post_data(request))
    if apply(
        form,
        lambda data: record_past_loading(
            data["toolhead"],
            spool,
            data["start"],
            data["end"],
            slot=data.get("slot"),
            fed_from=data["fed_from"],
            by=request.user,
        ),
    ):
        messages.success(
            request,
            _("{spool} was on {toolhead} then.").format(
                spool=pretty(spool.code), toolhead=form.cleaned_data["toolhead"]
            ),
        )
        return redirect("spool", spool.code)
    return render(request, "spools/past_loading.html", {"spool": spool, "form": form})


@with_spool
def run_correct(request: HttpRequest, spool: Spool, pk: int) -> HttpResponse:
    """Give the right times of a drying run, which is withdrawn with the wrong ones."""
    run = get_object_or_404(DryingRun.objects.filter(spool=spool).select_related("dryer", "spool"), pk=pk)
    form = CorrectRunForm(post_data(request), run=run)
    if apply(form, lambda data: correct_run(run, start=data["start"], end=data.get("end"), by=request.user)):
        messages.success(request, _("The right times count. Moisture is computed again."))
        return redirect("spool", spool.code)
    title = _("Drying in {dryer}").format(dryer=run.dryer)
    return render(
        request, "spools/correct_times.html", {"spool": spool, "form": form, "fact": run, "title": title}
    )


@with_spool
def loading_correct(request: HttpRequest, spool: Spool, pk: int) -> HttpResponse:
    """Give the right time of a loading, which is withdrawn with the wrong one."""
    loading = get_object_or_404(
        Loading.objects.filter(spool=spool).select_related("toolhead__printer", "spool"), pk=pk
    )
    form = CorrectLoadingForm(post_data(request), initial={"when": loading.start})
    if apply(form, lambda data: correct_loading(loading, at=data["when"], by=request.user)):
        messages.success(request, _("The right time counts. Moisture is computed again."))
        return redirect("spool", spool.code)
    title = _("Loaded on {site}").format(site=loading.site)
    return render(
        request, "spools/correct_times.html", {"spool": spool, "form": form, "fact": loading, "title": title}
    )
