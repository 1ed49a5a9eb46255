"""Forms of trouble reports and their outcomes."""

from typing import Any

from django import forms
from django.utils.text import capfirst
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from maintenance.models import Job, JobUse, Loading, TroubleOutcome
from maintenance.trouble.causes import SYMPTOMS
from maintenance.trouble.wording import SIGNS
from pages.frame.forms import WhenField
from pages.machines.loadings import recent_loadings, until
from spools.codes import pretty
from spools.wording import format_time

SHOWN_JOBS = 20


class TroubleForm(forms.Form):
    """A print that went wrong: which one, and what was seen."""

    symptoms = forms.MultipleChoiceField(
        label=_("Signs"),
        choices=lambda: [(name, capfirst(str(SIGNS[name]))) for name in SYMPTOMS],
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": _("Choose at least one sign.")},
    )
    when = WhenField(label=_("When it began"), help_text=_("For a print without a recorded job. Empty: now."))
    note = forms.CharField(
        label=_("Note"), max_length=300, required=False, widget=forms.Textarea(attrs={"rows": 2})
    )

    def __init__(self, *args: Any, job: Job | None, **options: Any) -> None:
        """job: offered first, however old."""
        super().__init__(*args, **options)
        uses = JobUse.objects.filter(job__withdrawn_at=None).select_related(
            "job", "toolhead__printer", "spool__feedstock__maker"
        )
        latest = list(uses.order_by("-job__start", "-pk")[:SHOWN_JOBS])
        job_uses = list(uses.filter(job=job)) if job else []
        self.uses = {f"use-{use.pk}": use for use in [*job_uses, *latest]}
        self.loadings = {f"loading-{loading.pk}": loading for loading in recent_loadings()}
        self.fields["print"] = forms.ChoiceField(
            label=_("Which print"),
            choices=[
                *((key, _describe_use(use)) for key, use in self.uses.items()),
                *((key, _describe_loading(loading)) for key, loading in self.loadings.items()),
            ],
        )
        self.order_fields(["print", "symptoms"])


def _describe_use(use: JobUse) -> str:
    return f"{use.job}, {format_time(use.job.start)}: {_describe_spool_on_toolhead(use)}"


def _describe_loading(loading: Loading) -> str:
    return gettext("Not recorded: {print}").format(
        print=_describe_spool_on_toolhead(loading) + until(loading)
    )


def _describe_spool_on_toolhead(row: JobUse | Loading) -> str:
    return gettext("{spool} {feedstock} on {site}").format(
        spool=pretty(row.spool.code), feedstock=row.spool.feedstock, site=row.site
    )


class OutcomeForm(forms.Form):
    cause = forms.ChoiceField(label=_("Cause"), choices=TroubleOutcome.Cause)
    note = forms.CharField(label=_("Note"), max_length=300, required=False)
