"""The form of a job that is recorded by hand."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.http import QueryDict
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from maintenance import limits as machine_limits
from maintenance.jobs.queries import takes_from
from maintenance.jobs.reprints import UsualTemperatures, find_usual_temperatures
from maintenance.models import Job, Loading, Part, Printer, WearEntry
from pages.frame.forms import WhenField, number
from pages.jobs.file_forms import STAGES
from pages.jobs.step_forms import OutcomeForm, project_field
from pages.machines.loadings import LoadingField, recent_loadings
from spools.codes import normalise, pretty
from spools.refusals import refusal

ASKED = ("mass_g", "hours", "nozzle_c", "bed_c", "max_flow_mm3_s")


def changed_after_check() -> ValidationError:
    """The refusal of a job that is not the one whose verdict was shown."""
    return refusal(
        "changed_after_check", _("The job was changed after the check. Look at its verdict, then record it.")
    )


class JobSearchForm(forms.Form):
    """Which jobs are listed: from a batch, spool, part, project or printer to its prints."""

    batch = forms.CharField(max_length=60, required=False, label=gettext_lazy("Batch of the filament"))
    spool = forms.CharField(max_length=300, required=False, label=gettext_lazy("Code of the spool"))
    project = forms.CharField(max_length=80, required=False, label=gettext_lazy("Project or customer"))
    printer = forms.ModelChoiceField(
        Printer.objects.all(), label=gettext_lazy("Printer"), required=False, empty_label=gettext_lazy("any")
    )
    part = forms.ModelChoiceField(Part.objects.all(), required=False, widget=forms.HiddenInput)

    def find(self, jobs: QuerySet[Job]) -> QuerySet[Job]:
        """Those of the jobs that match; all of them where nothing valid is asked."""
        data = self.cleaned_data if self.is_valid() else {}
        if batch := data.get("batch"):
            jobs = jobs.filter(takes_from(batch__iexact=batch))
        if code := data.get("spool"):
            jobs = jobs.filter(takes_from(code=normalise(code)))
        if part := data.get("part"):
            jobs = jobs.filter(pk__in=WearEntry.objects.filter(part=part).values("use__job"))
        if project := data.get("project"):
            jobs = jobs.filter(project__icontains=project)
        if printer := data.get("printer"):
            jobs = jobs.filter(printer=printer)
        return jobs

    @property
    def query(self) -> QueryDict:
        """Its inputs for an address."""
        query = QueryDict(mutable=True)
        query.update({name: self.data[name] for name in self.fields if self.data.get(name)})
        return query


class JobForm(OutcomeForm):
    stage = forms.ChoiceField(label=gettext_lazy("How far it is"), choices=STAGES, required=False)
    name = forms.CharField(label=gettext_lazy("Name"), max_length=120)
    project = project_field()
    mass_g = number(
        gettext_lazy("Filament"),
        "g",
        limits=machine_limits.JOB_G,
        help_text=gettext_lazy("That it took; before its end, that it will take."),
    )
    hours = number(gettext_lazy("Printing time"), "h", limits=machine_limits.JOB_HOURS)
    retracted_m = number(
        gettext_lazy("Filament retracted in all"),
        "m",
        required=False,
        limits=machine_limits.RETRACTED_M,
        help_text=gettext_lazy("Length times count of the retractions, if known: they wear the drive gears."),
    )
    nozzle_c = number(
        gettext_lazy("Nozzle"),
        "°C",
        required=False,
        limits=machine_limits.NOZZLE_C,
        help_text=gettext_lazy("Empty: as in the last job with this filament, else usual for its material."),
    )
    bed_c = number(
        gettext_lazy("Bed"),
        "°C",
        required=False,
        limits=machine_limits.BED_C,
        help_text=gettext_lazy("Likewise."),
    )
    max_flow_mm3_s = number(
        gettext_lazy("Fastest flow"),
        "mm³/s",
        required=False,
        limits=machine_limits.FLOW_MM3_S,
        help_text=gettext_lazy("If you know it."),
    )
    when = WhenField(
        label=gettext_lazy("Started"),
        help_text=gettext_lazy(
            "Empty: its hours ago if it is over, now if it prints, as soon as the toolhead is free if it is "
            "planned."
        ),
    )
    override_reason = forms.CharField(
        label=gettext_lazy("Why it is printed on a hold"),
        max_length=300,
        required=False,
        help_text=gettext_lazy("If you like; it is stored with the job."),
        widget=forms.Textarea(attrs={"rows": 2}),
    )
    # The inputs of the verdict on the page; after a change the new verdict is shown first.
    checked = forms.CharField(required=False, widget=forms.HiddenInput)

    FIRST = ("loading", "stage", "name", "mass_g", "hours", "when", "override_reason")
    JUDGED_FIELDS = ["loading", "stage", "mass_g", "hours", "nozzle_c", "bed_c", "max_flow_mm3_s", "when"]

    # Filled in where none are given.
    usual: UsualTemperatures | None = None

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["loading"] = LoadingField(
            recent_loadings(), label=_("Machine and spool"), empty_label=None
        )
        self.order_fields(["loading", "stage"])
        in_slots = (
            Loading.objects.present()
            .filter(toolhead__slots__gt=1)
            .select_related("toolhead__printer", "spool__feedstock__maker")
        )
        self.in_slots = {f"more_{loading.pk}": loading for loading in in_slots.order_by("toolhead", "slot")}
        for name, loading in self.in_slots.items():
            label = f"{loading.site}: {pretty(loading.spool.code)} {loading.spool.feedstock}"
            self.fields[name] = number(label, "g", required=False, limits=machine_limits.JOB_G)
        if self.in_slots:
            self.fields["changes"] = number(
                _("Changes of spool"),
                required=False,
                limits=machine_limits.CHANGES,
                help_text=_("Each purges as the toolhead states, beside the grams."),
            )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        first = data.get("loading")
        if first and None in (data.get("nozzle_c"), data.get("bed_c")):
            self.usual = find_usual_temperatures(first.toolhead, first.spool)
            for name in {"nozzle_c", "bed_c"} - self.errors.keys():
                data[name] = getattr(self.usual, name) if data.get(name) is None else data[name]
        for name, loading in self.in_slots.items():
            if data.get(name) and first and (loading.toolhead_id != first.toolhead_id or loading == first):
                wrong = refusal(
                    "other_toolhead",
                    _("Give grams of other spools on {toolhead} alone, beside the first.").format(
                        toolhead=first.toolhead
                    ),
                )
                self.add_error(name, wrong)
        return data

    def first_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in self.FIRST]

    def more_fields(self) -> list[forms.BoundField]:
        """What is not needed, or usual."""
        return [field for field in self.visible_fields() if field.name not in self.FIRST]

    def more_fields_open(self) -> bool:
        return any(field.errors or field.value() for field in self.more_fields())

    def details(self) -> dict[str, Any]:
        """The numbers of the print, with its other spools."""
        data = self.cleaned_data
        more = [(loading.spool, data[name]) for name, loading in self.in_slots.items() if data.get(name)]
        numbers = {name: data[name] for name in (*ASKED, "retracted_m")}
        return numbers | {"more": more, "changes": data.get("changes")}

    def verdict_key(self) -> str:
        """The numbers that the verdict depends on, as one text."""
        data, names = self.cleaned_data, list(self.JUDGED_FIELDS)
        if self.in_slots:
            names += [*self.in_slots, "changes"]
        return " ".join(str(getattr(data[name], "pk", data[name])) for name in names)
