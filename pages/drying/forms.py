"""Forms of starting and finishing drying runs."""

from collections.abc import Iterable
from typing import Any

from django import forms
from django.db import DataError
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from pages.frame.forms import WhenField, number
from spools import limits
from spools.codes import pretty
from spools.drying.gate import open_runs
from spools.drying.options import GOALS, PlanRequest
from spools.models import DryingRun, Place, Spool
from spools.refusals import refusal
from spools.wording import format_duration, format_time


def _override_reason() -> forms.CharField:
    return forms.CharField(
        label=gettext_lazy("Reason to start in spite of the hold"),
        required=False,
        max_length=300,
        help_text=gettext_lazy("It is stored."),
    )


def _explain_hours(form: forms.Form, hours: float | None, is_hold: bool) -> None:
    """Show the hours of the plan beside their input, which stays empty: another set point takes other hours."""
    form.fields["planned_hours"].help_text = (
        _(
            "Empty: computed for the stages above ({hours} by this plan; a first stage is part of them)."
        ).format(hours=format_duration(hours))
        if hours
        else _("Empty: computed for the stages above (a first stage is part of them).")
    )
    if not is_hold and not form.is_bound:
        del form.fields["override_reason"]


MAX_ID = 2**63 - 1


def valid_ids(values: Iterable[Any]) -> list[int]:
    """The ids of rows among the values of a request."""
    numbers = [int(text) for value in values if (text := str(value)).isdecimal() and len(text) < 20]
    return [number for number in numbers if number <= MAX_ID]


class SpoolsField(forms.ModelMultipleChoiceField):
    def clean(self, value: Any) -> Any:
        chosen = [pk for pk in value or () if str(pk).isdecimal()]
        try:
            for run in open_runs().filter(spool__in=chosen):
                raise refusal(
                    "drying_already",
                    _(
                        "Spool {code} is drying in {dryer} already, since {at}. Finish that run first, or leave "
                        "the spool out."
                    ).format(code=pretty(run.spool.code), dryer=run.dryer, at=format_time(run.start)),
                )
            return super().clean(value)
        except (OverflowError, DataError):
            raise refusal("unknown_spool", _("There is no such spool. Choose from the list.")) from None


class BatchPlanForm(forms.Form):
    """Spools to dry together, with set point and goal."""

    set_point_c = number(
        gettext_lazy("Set point"),
        "°C",
        required=False,
        limits=limits.SET_POINT_C,
        help_text=gettext_lazy("Empty: the best that all spools allow."),
    )
    mass_g = number(
        gettext_lazy("Only the turns of jobs of"),
        "g",
        required=False,
        limits=limits.NEEDED_G,
        help_text=gettext_lazy("Empty: the whole spools."),
    )
    goal = forms.ChoiceField(label=gettext_lazy("Goal"), choices=GOALS, required=False)

    def __init__(self, *args: Any, choosable: QuerySet[Spool], **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["spools"] = SpoolsField(
            choosable,
            widget=forms.CheckboxSelectMultiple,
            error_messages={"required": gettext_lazy("Choose at least one spool.")},
        )

    def request_fields(self) -> list[forms.BoundField]:
        """The inputs beside the spools."""
        return [self[name] for name in ("set_point_c", "mass_g", "goal")]

    def plan_request(self) -> PlanRequest:
        names = ("set_point_c", "mass_g", "goal")
        return PlanRequest(**{name: self.cleaned_data[name] for name in names if self.cleaned_data[name]})


class StartRunsForm(forms.Form):
    """The start of what was planned: how long, since when, and what the spools weigh before."""

    first_set_point_c = number(
        gettext_lazy("First stage"),
        "°C",
        required=False,
        limits=limits.SET_POINT_C,
        help_text=gettext_lazy("A cooler start. Empty: one stage."),
    )
    first_hours = number(gettext_lazy("Hours of the first stage"), required=False, limits=limits.RUN_HOURS)
    planned_hours = number(gettext_lazy("Hours in all"), limits=limits.RUN_HOURS, required=False)
    override_reason = _override_reason()
    when = WhenField(label=gettext_lazy("Started"))
    resolution_g = number(gettext_lazy("Scale's smallest step"), "g", initial=1, limits=limits.SCALE_STEP_G)

    def __init__(
        self,
        *args: Any,
        spools: list[Spool],
        hours: float | None,
        is_hold: bool,
        as_planned: bool = False,
        **options: Any,
    ) -> None:
        """as_planned: its stages and hours are those of the plan of the week."""
        super().__init__(*args, **options)
        _explain_hours(self, hours, is_hold)
        if as_planned:
            for name in ("first_set_point_c", "first_hours", "planned_hours"):
                del self.fields[name]
        self.mass_fields = {spool.pk: f"gross_g_{spool.pk}" for spool in spools}
        for spool in spools:
            self.fields[self.mass_fields[spool.pk]] = number(
                _("{code} with its reel").format(code=pretty(spool.code)),
                "g",
                required=False,
                limits=limits.GROSS_G,
            )

    def stages(self) -> list[forms.BoundField]:
        names = ("first_set_point_c", "first_hours", "planned_hours", "override_reason", "when")
        return [self[name] for name in names if name in self.fields]

    def weighings(self) -> list[forms.BoundField]:
        return [self[name] for name in self.mass_fields.values()]

    def gross_g(self) -> dict[int, float]:
        """Grams by spool id, of the spools that were weighed before drying."""
        masses = {pk: self.cleaned_data[name] for pk, name in self.mass_fields.items()}
        return {pk: mass_g for pk, mass_g in masses.items() if mass_g is not None}


class FinishRunForm(forms.Form):
    """One drying run that ends: whether it does, where the spool goes, what it weighs."""

    out = forms.BooleanField(label=gettext_lazy("Take out"), required=False, initial=True)
    place = forms.ModelChoiceField(
        Place.objects.in_use().exclude(kind__in=[Place.Kind.DRYER, Place.Kind.PRINTER]),
        label=gettext_lazy("It goes to"),
        required=False,
        help_text=gettext_lazy("Needed when it is taken out."),
    )
    gross_g = number(gettext_lazy("Weighs now, with its reel"), "g", required=False, limits=limits.GROSS_G)

    def __init__(self, data: Any, *, run: DryingRun) -> None:
        super().__init__(data, prefix=f"run{run.pk}")
        self.run = run

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("out") and not data.get("place"):
            self.add_error("place", refusal("place_missing", _("State where it goes.")))
        return data


class FinishRunsForm(forms.Form):
    resolution_g = number(gettext_lazy("Scale's smallest step"), "g", initial=1, limits=limits.SCALE_STEP_G)
    when = WhenField()


class PlanForm(forms.Form):
    """The request for a plan. Empty: the best set point, the whole spool, to print well."""

    set_point_c = number(
        gettext_lazy("Another set point"),
        "°C",
        required=False,
        limits=limits.SET_POINT_C,
        help_text=gettext_lazy("Empty: the best of the compared ones."),
    )
    mass_g = number(
        gettext_lazy("Only the turns of a job of"),
        "g",
        required=False,
        limits=limits.NEEDED_G,
        help_text=gettext_lazy(
            "Empty: the whole spool, or the turns of a small job where all of it takes days."
        ),
    )
    goal = forms.ChoiceField(label=gettext_lazy("Goal"), choices=GOALS, required=False)

    def __init__(self, *args: Any, strong_limit_pct: float | None = None, **options: Any) -> None:
        super().__init__(*args, **options)
        if strong_limit_pct is None:
            del self.fields["goal"]

    def plan_request(self) -> PlanRequest:
        values = {name: value for name, value in self.cleaned_data.items() if value not in (None, "")}
        return PlanRequest(**values)


class StartRunForm(forms.Form):
    """The start of the run that was planned for one spool."""

    first_set_point_c = number(
        gettext_lazy("First stage"),
        "°C",
        required=False,
        limits=limits.SET_POINT_C,
        help_text=gettext_lazy("A cooler start. Empty: one stage."),
    )
    first_hours = number(gettext_lazy("Hours of the first stage"), required=False, limits=limits.RUN_HOURS)
    set_point_c = number(gettext_lazy("Set point"), "°C", limits=limits.SET_POINT_C)
    planned_hours = number(gettext_lazy("Hours in all"), limits=limits.RUN_HOURS, required=False)
    override_reason = _override_reason()
    gross_g = number(
        gettext_lazy("Weighs before, with its reel"),
        "g",
        required=False,
        limits=limits.GROSS_G,
        help_text=gettext_lazy("If you have a scale."),
    )
    resolution_g = number(gettext_lazy("Scale's smallest step"), "g", initial=1, limits=limits.SCALE_STEP_G)
    when = WhenField(label=gettext_lazy("Started"))

    def __init__(self, *args: Any, hours: float | None, is_hold: bool, **options: Any) -> None:
        super().__init__(*args, **options)
        _explain_hours(self, hours, is_hold)
