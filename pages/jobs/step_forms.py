"""Forms of the steps of a job: it starts, goes on with another spool, ends."""

from typing import Any

from django import forms
from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from maintenance import limits
from maintenance.jobs.records import MAX_PROJECT_LENGTH
from maintenance.jobs.shares import ENDS
from maintenance.models import Job
from pages.frame.forms import WhenField, number
from pages.jobs.file_forms import SPOOLS, SpoolField, name_slots
from spools.models import Place, Spool


def project_field() -> forms.CharField:
    """For whom it is printed; optional."""
    return forms.CharField(
        label=gettext_lazy("Project or customer"),
        max_length=MAX_PROJECT_LENGTH,
        required=False,
        help_text=gettext_lazy("For the report of usage."),
    )


class ProjectForm(forms.Form):
    project = project_field()

    def __init__(self, *args: Any, job: Job, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["project"].initial = job.project


class OutcomeForm(forms.Form):
    """What became of a print, as far as somebody counted."""

    parts = forms.IntegerField(
        label=gettext_lazy("Parts in it"), required=False, min_value=1, max_value=10_000
    )
    good_parts = forms.IntegerField(
        label=gettext_lazy("Good parts"), required=False, min_value=0, max_value=10_000
    )
    reason = forms.CharField(
        label=gettext_lazy("Why"),
        max_length=300,
        required=False,
        help_text=gettext_lazy("For a print that failed or was stopped."),
    )

    OUTCOME = ("parts", "good_parts", "reason")


class PrintedPartForm(forms.Form):
    """How far a print got, in one way."""

    mass_g = number(gettext_lazy("Filament until then"), "g", required=False, limits=limits.JOB_G)
    metres = number(gettext_lazy("Or metres of it"), "m", required=False)
    stopped_pct = number(gettext_lazy("Or percentage"), "%", required=False, limits=limits.STOPPED_PCT)
    stopped_line = forms.IntegerField(
        label=gettext_lazy("Or line of its file"), required=False, min_value=1, max_value=10**9
    )

    PART = ("mass_g", "metres", "stopped_pct", "stopped_line")

    def __init__(self, *args: Any, job: Job, **options: Any) -> None:
        super().__init__(*args, **options)
        if job.file_id is None:
            del self.fields["stopped_line"]

    def part(self) -> dict[str, Any]:
        return {name: self.cleaned_data.get(name) for name in self.PART}


class StartForm(forms.Form):
    when = WhenField(label=gettext_lazy("Started"))

    def __init__(self, *args: Any, job: Job, **options: Any) -> None:
        super().__init__(*args, **options)


class ChangeForm(PrintedPartForm):
    when = WhenField(label=gettext_lazy("Changed"))

    def __init__(self, *args: Any, job: Job, **options: Any) -> None:
        super().__init__(*args, job=job, **options)
        used = Spool.objects.filter(Q(job_uses__job=job) | Q(reservations__job=job))
        same_material = SPOOLS.filter(feedstock__in=used.values("feedstock"))
        at_work = Q(job_uses__job=job) if job.is_over else Q(reservations__job=job)
        current = Spool.objects.filter(at_work).select_related("feedstock__maker").distinct()
        sites = name_slots()
        self.fields["spool"] = SpoolField(
            same_material, label=_("It goes on with"), empty_label=None, sites=sites
        )
        if current.count() > 1:
            self.fields["from_spool"] = SpoolField(current, label=_("Ran out"), empty_label=None, sites=sites)
        self.fields["unload_to"] = forms.ModelChoiceField(
            Place.objects.in_use().exclude(kind__in=[Place.Kind.DRYER, Place.Kind.PRINTER]),
            label=_("The one that ran out goes to"),
            required=False,
            help_text=_("Not needed where it was unloaded already."),
        )
        self.fields["mass_g"].label = _("It gave, g")
        self.fields["mass_g"].help_text = _("Without grams, metres or percentage: by the time.")
        self.order_fields(["spool", "from_spool", "unload_to", "when"])


class EndForm(PrintedPartForm, OutcomeForm):
    result = forms.ChoiceField(
        label=gettext_lazy("It"),
        choices=[(kind.value, kind.label) for kind in ENDS],
        widget=forms.RadioSelect,
    )
    when = WhenField(
        label=gettext_lazy("Ended"), help_text=gettext_lazy("Empty: now; a finished one when it was to end.")
    )

    def __init__(self, *args: Any, job: Job, **options: Any) -> None:
        super().__init__(*args, job=job, **options)
        self.fields["mass_g"].help_text = _("Empty: all of it if it finished, else by the time.")
        self.order_fields(["result", "when", *self.OUTCOME, *self.PART])
