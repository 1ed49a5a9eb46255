"""Forms of the service of machines."""

from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from maintenance import limits
from maintenance.models import Printer, ServiceKind
from pages.frame.forms import WhenField, number, with_point
from pages.frame.versions import VersionedForm


class ServiceField(forms.ModelChoiceField):
    def label_from_instance(self, kind: ServiceKind) -> str:
        return _(kind.name)


class ServiceForm(forms.Form):
    """A service that was done on a printer or one of its toolheads."""

    kind = ServiceField(
        ServiceKind.objects.filter(in_use=True), label=gettext_lazy("Work done"), empty_label=None
    )
    when = WhenField()
    note = forms.CharField(label=gettext_lazy("Note"), max_length=200, required=False)

    def __init__(self, *args: Any, printer: Printer, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["toolhead"] = forms.ModelChoiceField(
            printer.toolheads.in_use(),
            label=_("Toolhead"),
            required=False,
            help_text=_("For service of one toolhead."),
        )
        self.order_fields(["kind", "toolhead"])


class ServiceKindForm(VersionedForm):
    interval = number(gettext_lazy("Interval"), limits=limits.INTERVAL)

    class Meta:
        model = ServiceKind
        fields = [
            "name",
            "work",
            "subject",
            "unit",
            "interval",
            "consumable",
            "consumable_amount",
            "stops",
            "in_use",
            "advice",
            "source",
            "how",
        ]
        formfield_callback = with_point
        labels = {
            "consumable": gettext_lazy("Uses"),
            "consumable_amount": gettext_lazy("Amount of it, each time"),
        }
        help_texts = {
            "consumable": gettext_lazy("It is taken from stock when the service is recorded."),
            "how": gettext_lazy("Such as published, maker's statement, from memory, own experience."),
            "in_use": gettext_lazy("Off: it is asked for no more; its history stays."),
        }
