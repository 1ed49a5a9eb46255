"""Forms of facts of a spool that are corrected or added late."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from maintenance.models import Toolhead
from pages.frame.forms import WhenField, number
from pages.spools.forms import PlaceChoice, WithPlaces
from spools import limits
from spools.models import DryingRun, Move, Place


class CorrectMoveForm(WithPlaces):
    """The right place and time of a move; of a past stay also its end."""

    when = WhenField(help_text="")
    until = WhenField(label=_("Until"), help_text="")

    def __init__(self, *args: Any, move: Move, **options: Any) -> None:
        initial = {"place": move.place_id, "when": move.at, "until": move.until}
        super().__init__(*args, initial=initial, **options)
        self.fields["when"].required = self.fields["until"].required = True
        if move.until is None:
            del self.fields["until"]


class CorrectLoadingForm(forms.Form):
    when = WhenField(label=_("Loaded"), help_text="", required=True)


class PastLoadingForm(forms.Form):
    toolhead = forms.ModelChoiceField(Toolhead.objects.select_related("printer"), label=_("Toolhead"))
    start = WhenField(label=_("Loaded"), help_text="", required=True)
    end = WhenField(label=_("Taken off"), help_text="", required=True)
    fed_from = forms.ModelChoiceField(
        Place.objects.filter(feeds=True),
        required=False,
        label=_("Fed from"),
        empty_label=_("it stood at the printer"),
    )

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        if Toolhead.objects.filter(slots__gt=1).exists():
            self.fields["slot"] = forms.IntegerField(
                required=False,
                min_value=1,
                max_value=100,
                help_text=_("Of a toolhead that has several. Empty: the first one that was free."),
            )
            self.order_fields(["toolhead", "slot"])


class CorrectRunForm(forms.Form):
    start = WhenField(label=_("From"), help_text="", required=True)
    end = WhenField(label=_("Until"), help_text="", required=True)

    def __init__(self, data: Any, run: DryingRun) -> None:
        super().__init__(data, initial={"start": run.start, "end": run.end})
        if run.end is None:
            del self.fields["end"]


class PastRunForm(forms.Form):
    dryer = PlaceChoice(Place.objects.filter(kind=Place.Kind.DRYER), _("Dryer"))
    set_point_c = number(_("Set point"), "°C", limits=limits.SET_POINT_C)
    start = WhenField(label=_("From"), help_text="", required=True)
    end = WhenField(label=_("Until"), help_text="", required=True)
    first_set_point_c = number(
        _("Set point of a cooler first stage"), "°C", required=False, limits=limits.SET_POINT_C
    )
    first_hours = number(_("Hours of that stage"), "h", required=False, limits=limits.RUN_HOURS)
    before_g = number(_("Weighed before, with its reel"), "g", required=False, limits=limits.GROSS_G)
    after_g = number(_("Weighed after, with its reel"), "g", required=False, limits=limits.GROSS_G)
    resolution_g = number(_("Scale's smallest step"), "g", initial=1, limits=limits.SCALE_STEP_G)
