"""Forms of parts: fitted, replaced, measured, in stock."""

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from maintenance.models import BoreReading, Fitting, Part, PartKind, PriorUse
from maintenance.models.parts import IN_NO_MACHINE
from maintenance.parts.fitting import PRIOR_UNITS
from maintenance.parts.words import name_kind, name_part
from maintenance.wear.bore import WORN_GROWTH_PCT
from pages.frame.forms import WhenField, number, with_point
from pages.frame.versions import VersionedForm
from spools.facts import MAX_REASON_LENGTH
from spools.refusals import refusal
from spools.wording import format_number


class FitForm(forms.Form):
    """A part for a role that is free: a new one from stock, or one that was taken off sound."""

    when = WhenField()

    def __init__(
        self, *args: Any, kinds: list[PartKind], counts: Mapping[int, float], used: list[Part], **options: Any
    ):
        super().__init__(*args, **options)
        self.kinds = {f"kind-{kind.pk}": kind for kind in kinds if counts.get(kind.pk, 0) > 0}
        self.used = {f"part-{part.pk}": part for part in used}
        new = _("New {kind} ({count} in stock)")
        choices = [
            *(
                (key, new.format(kind=name_kind(kind), count=format_number(counts[kind.pk])))
                for key, kind in self.kinds.items()
            ),
            *(
                (key, _("Used {part}, taken off sound").format(part=name_part(part)))
                for key, part in self.used.items()
            ),
        ]
        first = choices[0][0] if choices else None
        self.fields["source"] = forms.ChoiceField(
            label=_("Part"), widget=forms.RadioSelect, choices=choices, initial=first
        )
        self.order_fields(["source"])


class PriorUseForm(forms.Form):
    """The use of a part before it came into the records."""

    prior_unit = forms.ChoiceField(
        label=gettext_lazy("Its use before is known in"),
        help_text=gettext_lazy(
            "Months and kilograms are converted roughly, for usual filament and use. A part of unknown age shows only "
            "how long it lasted here."
        ),
    )
    prior_amount = number(
        gettext_lazy("Amount"),
        required=False,
        min_value=0,
        help_text=gettext_lazy("Empty with “age unknown”."),
    )

    def __init__(self, *args: Any, life_units: Iterable[str], **options: Any) -> None:
        super().__init__(*args, **options)
        units = [*PRIOR_UNITS[::-1], *dict.fromkeys(life_units)]
        self.fields["prior_unit"].choices = [(unit, PriorUse.Unit(unit).label) for unit in units]  # type: ignore[attr-defined]


class FitUsedForm(PriorUseForm):
    """The part that is on a machine already: it came with it, or from elsewhere, used."""

    kind = forms.ModelChoiceField(PartKind.objects.none(), label=gettext_lazy("Part"), empty_label=None)
    when = WhenField(
        label=gettext_lazy("Counted from"), help_text=gettext_lazy("From then on jobs wear it. Empty: now.")
    )

    def __init__(self, *args: Any, kinds: Sequence[PartKind], **options: Any) -> None:
        super().__init__(*args, life_units=[kind.life_unit for kind in kinds], **options)
        self.fields["kind"].queryset = PartKind.objects.filter(pk__in=[kind.pk for kind in kinds])  # type: ignore[attr-defined]
        by_role = groupby(kinds, key=lambda kind: kind.get_role_display())
        self.fields["kind"].choices = [  # type: ignore[attr-defined]
            (role, [(kind.pk, name_kind(kind)) for kind in of_role]) for role, of_role in by_role
        ]
        self.order_fields(["kind"])


class ReplaceForm(forms.Form):
    """A new part of a kind in stock; a kind that is not is refused by the act."""

    kind = forms.ModelChoiceField(
        PartKind.objects.none(), label=gettext_lazy("New part"), widget=forms.RadioSelect, empty_label=None
    )
    removal = forms.ChoiceField(
        label=gettext_lazy("Reason for removing the old one"), choices=Fitting.Removal
    )
    when = WhenField()

    def __init__(
        self, data: Any, *, kinds: QuerySet[PartKind], counts: Mapping[int, float], initial: dict[str, Any]
    ) -> None:
        super().__init__(data, initial=initial)
        in_stock = _("{kind} ({count} in stock)")
        self.fields["kind"].queryset = kinds  # type: ignore[attr-defined]
        self.fields["kind"].choices = [  # type: ignore[attr-defined]
            (kind.pk, in_stock.format(kind=name_kind(kind), count=format_number(counts[kind.pk])))
            for kind in kinds
            if counts.get(kind.pk, 0) > 0
        ]


class RemoveForm(forms.Form):
    removal = forms.ChoiceField(label=gettext_lazy("Reason for removing it"), choices=Fitting.Removal)
    when = WhenField()


class CorrectRemovalForm(RemoveForm):
    """Another reason or time of a removal."""

    when = WhenField(label=gettext_lazy("It came off"), help_text=gettext_lazy("Empty: as recorded."))
    reason = forms.CharField(label=gettext_lazy("Reason for the correction"), max_length=MAX_REASON_LENGTH)


class BoreForm(forms.Form):
    """A nozzle's bore, measured."""

    bore_mm = number(gettext_lazy("Bore"), "mm", min_value=0)
    error_mm = number(
        gettext_lazy("Give or take"),
        "mm",
        min_value=0,
        help_text=gettext_lazy(
            "Standard error: a pin gauge about half its step, a microscope what it can repeat."
        ),
    )
    method = forms.ChoiceField(label=gettext_lazy("Measured with"), choices=BoreReading.Method)
    note = forms.CharField(label=gettext_lazy("Note"), max_length=200, required=False)
    when = WhenField()


class KindField(forms.ModelChoiceField):
    def label_from_instance(self, kind: PartKind) -> str:
        return name_kind(kind)


class StockForm(forms.Form):
    kind = KindField(PartKind.objects.all(), label=gettext_lazy("Part"), empty_label=None)
    count = number(
        gettext_lazy("Quantity"),
        initial=1,
        help_text=gettext_lazy(
            "In the unit of its stock. A negative number corrects a count that was too high."
        ),
    )
    note = forms.CharField(label=gettext_lazy("Note"), max_length=200, required=False)
    when = WhenField()


class PartKindForm(VersionedForm):
    class Meta:
        formfield_callback = with_point
        model = PartKind
        fields = [
            "role",
            "name",
            "stock_unit",
            "material",
            "hardness_hv",
            "bore_mm",
            "max_c",
            "heat_reference_c",
            "worn_growth_pct",
            "life_unit",
            "life",
            "life_low",
            "life_high",
            "source",
            "how",
            "price",
            "reorder_point",
        ]
        labels = {
            "role": gettext_lazy("Role"),
            "name": gettext_lazy("Name"),
            "bore_mm": gettext_lazy("Bore, mm"),
            "stock_unit": gettext_lazy("Counted in"),
            "life_unit": gettext_lazy("Its life is counted in"),
            "life_low": gettext_lazy("Life of a short-lived one"),
            "life_high": gettext_lazy("Life of a long-lived one"),
            "source": gettext_lazy("Source of the life"),
            "how": gettext_lazy("How that is known"),
        }
        help_texts = {
            "bore_mm": gettext_lazy("For a nozzle."),
            "stock_unit": gettext_lazy(
                "Parts are counted in pieces. A consumable needs a name and this alone; it has no life."
            ),
            "material": gettext_lazy(
                "For desiccant: silica gel, molecular sieve, activated alumina or clay. A new charge of a dry "
                "box is taken from the stock of its material, in g."
            ),
            "worn_growth_pct": gettext_lazy("For a nozzle: its life is the way until then."),
            "how": gettext_lazy("Such as published, maker's statement, from memory, own replacements."),
            "reorder_point": gettext_lazy("A reminder comes when no more than this many are left. 0: none."),
        }

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["worn_growth_pct"].required = False

    def clean_worn_growth_pct(self) -> float:
        return self.cleaned_data["worn_growth_pct"] or WORN_GROWTH_PCT

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("role") == PartKind.Role.NOZZLE and data.get("bore_mm") is None:
            self.add_error("bore_mm", refusal("bore_missing", _("A nozzle needs its bore.")))
        if data.get("role") not in IN_NO_MACHINE:
            for name in ("material", "life_unit", "life", "life_low", "life_high", "source", "how"):
                if name not in self.errors and data.get(name) in (None, ""):
                    self.add_error(name, refusal("required", _("A part needs this.")))
        low, life, high = (data.get(name) for name in ("life_low", "life", "life_high"))
        if low is not None and life is not None and high is not None and not 0 < low <= life <= high:
            self.add_error(
                "life",
                refusal(
                    "life_out_of_order",
                    _("The expected life must lie between the short-lived and the long-lived one, above 0."),
                ),
            )
        return data
