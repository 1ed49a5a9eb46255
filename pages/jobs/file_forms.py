"""Forms of the job files: taking one in, reading it again, checking and recording its print."""

from collections.abc import Mapping
from typing import Any

from django import forms
from django.db import DataError
from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from maintenance import limits
from maintenance.gcode import JobFacts
from maintenance.models import JobFile, JobFileMaterial, Loading, Printer
from pages.frame.forms import WhenField, number
from spools.codes import pretty
from spools.models import Feedstock, Polymer, Spool
from spools.refusals import refusal
from spools.wording import format_metres

DIAMETER_HELP = gettext_lazy("Of the filament that it was made for.")
SPOOLS = Spool.objects.filter(ended_at=None).select_related("feedstock__maker", "feedstock__polymer")
IN_USE = Printer.objects.filter(retired_at=None)


STAGES = [
    ("finished", gettext_lazy("It is over: finished")),
    ("failed", gettext_lazy("It is over: failed")),
    ("stopped", gettext_lazy("It is over: stopped")),
    ("printing", gettext_lazy("It prints now")),
    ("planned", gettext_lazy("It is planned")),
]


class JobFileForm(forms.Form):
    file = forms.FileField(
        label=gettext_lazy("Job file"),
        max_length=200,
        help_text=gettext_lazy(
            "G-code: plain, packed with gzip, or in a ZIP container such as 3MF; up to 1 GiB."
        ),
    )
    diameter_mm = number(
        gettext_lazy("Filament"), "mm", initial=1.75, limits=limits.FILE_DIAMETER_MM, help_text=DIAMETER_HELP
    )
    printer = forms.ModelChoiceField(
        IN_USE,
        label=gettext_lazy("Made for"),
        required=False,
        empty_label=gettext_lazy("any machine"),
        help_text=gettext_lazy("Machines interpret G90 and G91 differently."),
    )


class ReadAgainForm(forms.Form):
    diameter_mm = number(
        gettext_lazy("Filament"), "mm", limits=limits.FILE_DIAMETER_MM, help_text=DIAMETER_HELP
    )
    printer = forms.ModelChoiceField(
        IN_USE, label=gettext_lazy("Made for"), required=False, empty_label=gettext_lazy("any machine")
    )
    member = forms.CharField(
        label=gettext_lazy("Job in the container"),
        max_length=200,
        required=False,
        help_text=gettext_lazy("For a container that holds several."),
    )

    def __init__(self, data: Any = None, *, file: JobFile) -> None:
        initial = {"diameter_mm": file.diameter_mm, "printer": file.printer_id, "member": file.member}
        super().__init__(data, initial=initial)


class MaterialField(forms.ChoiceField):
    """A choice of the polymers and feedstocks; the row itself, or None where it is not known.

    stated: the choice until now, which is offered though its feedstock is retired.
    """

    def __init__(self, stated: JobFileMaterial | None = None, **options: Any) -> None:
        polymers: list[Any] = list(Polymer.objects.all())
        offered = Q(retired_at=None) | Q(pk=stated and stated.feedstock_id)
        feedstocks: list[Any] = list(Feedstock.objects.filter(offered).select_related("maker", "polymer"))
        self.rows = {material_key(row): row for row in [*polymers, *feedstocks]}
        groups = [(_("Any spool of a material"), polymers), (_("A product"), feedstocks)]
        choices = [(title, [(material_key(row), str(row)) for row in rows]) for title, rows in groups if rows]
        super().__init__(choices=[("", _("not known")), *choices], required=False, **options)

    def clean(self, value: Any) -> Feedstock | Polymer | None:
        return self.rows.get(super().clean(value))


def material_key(row: Feedstock | Polymer) -> str:
    return f"{type(row).__name__.lower()}-{row.pk}"


class MaterialsForm(forms.Form):
    """The material that each tool of a job was made for."""

    def __init__(self, data: Any = None, *, tools: list[int], stated: list[JobFileMaterial]) -> None:
        initial = {f"tool_{row.tool}": material_key(row.material) for row in stated}
        super().__init__(data, initial=initial)
        self.tools = tools
        by_tool = {row.tool: row for row in stated}
        for tool in tools:
            label = _("Made for") if len(tools) == 1 else _("Tool {tool} made for").format(tool=tool)
            self.fields[f"tool_{tool}"] = MaterialField(by_tool.get(tool), label=label)

    def materials(self) -> dict[int, Feedstock | Polymer | None]:
        return {tool: self.cleaned_data[f"tool_{tool}"] for tool in self.tools}


def name_slots() -> dict[int, str]:
    """Where the spools are that are in one of several slots, in words, by their ids."""
    in_slots = Loading.objects.present().filter(toolhead__slots__gt=1)
    return {row.spool_id: row.site for row in in_slots.select_related("toolhead__printer")}


class SpoolField(forms.ModelChoiceField):
    """sites: where spools are that are in one of several slots, by their ids."""

    def __init__(self, *args: Any, sites: Mapping[int, str], **options: Any) -> None:
        self.sites = sites
        super().__init__(*args, **options)

    def label_from_instance(self, spool: Spool) -> str:
        site = self.sites.get(spool.pk)
        # The slot stands in front: a narrow screen cuts the end off.
        return f"{pretty(spool.code)}{f' ({site})' if site else ''} {spool.feedstock}"

    def clean(self, value: Any) -> Any:
        try:
            return super().clean(value)
        except (OverflowError, DataError):
            raise refusal("unknown_spool", _("There is no such spool. Choose from the list.")) from None


class PrintForm(forms.Form):
    """On which machine, with which spools in the order of the job, how far it got."""

    printer = forms.ModelChoiceField(IN_USE, label=gettext_lazy("Machine"), empty_label=None)
    name = forms.CharField(label=gettext_lazy("Name"), max_length=120)
    when = WhenField(
        label=gettext_lazy("Started"),
        help_text=gettext_lazy(
            "Empty: its hours ago if it is over, now if it prints, as soon as the toolhead is free if it is "
            "planned."
        ),
    )
    stopped_line = forms.IntegerField(
        label=gettext_lazy("Stopped before line"),
        required=False,
        min_value=1,
        max_value=10**9,
        help_text=gettext_lazy("Empty: it ran to its end."),
    )
    stopped_pct = number(
        gettext_lazy("Or stopped at"),
        gettext_lazy("% of the file"),
        required=False,
        limits=limits.STOPPED_PCT,
        help_text=gettext_lazy("Most machines show the share of the file that was read."),
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

    def __init__(self, *args: Any, facts: JobFacts, **options: Any) -> None:
        super().__init__(*args, **options)
        several = len(facts.uses) > 1
        sites = name_slots()
        self.spool_names = [f"spool_{n}" for n in range(1, len(facts.uses) + 1)]
        for n, (name, use) in enumerate(zip(self.spool_names, facts.uses, strict=True), 1):
            label = (
                _("Spool {number}, tool {tool}, {length}").format(
                    number=n, tool=use.tool, length=format_metres(use.filament_mm / 1000, 1)
                )
                if several
                else _("Spool")
            )
            self.fields[name] = SpoolField(SPOOLS.all(), label=label, empty_label=None, sites=sites)
        if several and sites:
            self.fields["changes"] = number(
                _("Changes of spool"),
                required=False,
                limits=limits.CHANGES,
                help_text=_("Each purges as the toolhead states. Empty: as the file has them."),
            )
        self.fields["stage"] = forms.ChoiceField(label=_("How far it is"), choices=STAGES, required=False)
        self.order_fields(["printer", *self.spool_names, "changes", "stage"])

    def spools(self) -> list[Spool]:
        return [self.cleaned_data[name] for name in self.spool_names]

    def verdict_key(self) -> str:
        """The inputs of the verdict as one text."""
        data = self.cleaned_data
        ids = [spool.pk for spool in self.spools()]
        numbers = [data["stage"], data["stopped_line"], data["stopped_pct"], data.get("changes")]
        return " ".join(map(str, [data["printer"].pk, ids, *numbers]))
