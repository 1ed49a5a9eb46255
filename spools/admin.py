"""The admin's view of the data: the catalogue and places may be edited, facts can only be looked at.

A drying run may be added; it goes the same way as everywhere, so that a set point above the cap is refused.
"""

from typing import Any

from django import forms
from django.contrib import admin
from django.contrib.admin.widgets import AdminSplitDateTime
from django.core.exceptions import ValidationError
from django.http import HttpRequest

from pages.frame.forms import show_refusal
from spools.drying import runs as drying_runs
from spools.inventory import corrections

from .models import (
    BoxAir,
    BoxState,
    CoreKind,
    CouponTest,
    DesiccantCharge,
    DryingRun,
    Feedstock,
    Filler,
    Maker,
    MassEntry,
    MoistureState,
    OuterTurns,
    Place,
    PlannedDrying,
    PlannedPrint,
    Polymer,
    Reading,
    Source,
    Spool,
    Stay,
    WantedPrint,
    WeekPlan,
)


class ReadOnlyAdmin(admin.ModelAdmin):
    """Facts and what is computed from them: no adding, changing or deleting."""

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


class CorrectedForm(forms.ModelForm):
    """A form whose numbers pass the same checks as everywhere before they are kept."""

    check: Any

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not self.errors:
            for name, value in data.items():
                setattr(self.instance, name, value)
            try:
                type(self).check(self.instance)
            except ValidationError as error:
                show_refusal(self, error)
        return data


class PolymerForm(CorrectedForm):
    check = staticmethod(corrections.check_polymer)


class FeedstockForm(CorrectedForm):
    check = staticmethod(corrections.check_feedstock)


@admin.register(Polymer)
class PolymerAdmin(admin.ModelAdmin):
    form = PolymerForm
    list_display = ["name", "kind", "dry_cap_c", "limit_hold_pct"]
    search_fields = ["name"]


@admin.register(Feedstock)
class FeedstockAdmin(admin.ModelAdmin):
    form = FeedstockForm
    list_display = ["__str__", "polymer", "filler", "diameter_mm"]
    list_select_related = ["maker", "polymer", "filler"]
    search_fields = ["name", "maker__name", "polymer__name"]


@admin.register(Source)
class SourceAdmin(admin.ModelAdmin):
    list_display = ["subject", "field", "quantity", "value", "unit", "how"]
    list_filter = ["how", "polymer"]
    search_fields = ["subject", "quantity", "source"]


@admin.register(Place)
class PlaceAdmin(admin.ModelAdmin):
    list_display = ["name", "kind", "assumed_temperature_c", "assumed_rh_pct", "room"]
    list_select_related = ["room"]

    def save_model(self, request: HttpRequest, obj: Place, form: forms.ModelForm, change: bool) -> None:
        corrections.save_place(obj)


@admin.register(Spool)
class SpoolAdmin(ReadOnlyAdmin):
    list_display = ["code", "feedstock", "received_at", "emptied_at"]
    list_select_related = ["feedstock__maker", "feedstock__polymer"]
    search_fields = ["code", "batch"]


class DryingRunForm(forms.ModelForm):
    """Starts a drying run as the pages do: the cap, the place and the time are checked there."""

    planned_hours = forms.FloatField(required=False, help_text="Empty: as long as the plan says.")
    target_pct = forms.FloatField(required=False, help_text="Empty: as the plan says.")
    start = forms.SplitDateTimeField(required=False, widget=AdminSplitDateTime, help_text="Empty: now.")

    class Meta:
        model = DryingRun
        fields = [
            *["spool", "dryer", "first_set_point_c", "first_hours", "set_point_c"],
            *["planned_hours", "target_pct", "start"],
        ]
        help_texts = {"first_set_point_c": "Only for a cooler first stage.", "first_hours": "Of that stage."}

    started_by: Any = None

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not self.errors:
            try:
                [run] = drying_runs.start_drying(
                    [data["spool"]],
                    data["dryer"],
                    data["set_point_c"],
                    first_set_point_c=data["first_set_point_c"],
                    first_hours=data["first_hours"],
                    planned_hours=data["planned_hours"],
                    target_pct=data["target_pct"],
                    at=data["start"],
                    by=self.started_by,
                )
                self.instance = run
            except ValidationError as error:
                show_refusal(self, error)
        return data

    def _post_clean(self) -> None:
        """The run is complete and kept already; the fields of this form are only a part of it."""

    def save(self, commit: bool = True) -> DryingRun:
        return self.instance

    def save_m2m(self) -> None:
        """No many-to-many fields."""


@admin.register(DryingRun)
class DryingRunAdmin(ReadOnlyAdmin):
    list_display = ["spool", "dryer", "first_set_point_c", "set_point_c", "cap_c", "start", "end"]
    list_select_related = ["spool", "dryer"]
    list_filter = ["dryer"]

    def has_add_permission(self, request: HttpRequest) -> bool:
        return admin.ModelAdmin.has_add_permission(self, request)

    def get_form(self, request: HttpRequest, obj: Any = None, change: bool = False, **options: Any) -> Any:
        if obj is not None:
            return super().get_form(request, obj, change, **options)
        return type("DryingRunForm", (DryingRunForm,), {"started_by": request.user})

    def save_model(self, request: HttpRequest, obj: DryingRun, form: Any, change: bool) -> None:
        """The form has started the run already."""


@admin.register(CouponTest)
class CouponTestAdmin(ReadOnlyAdmin):
    list_display = ["feedstock", "temperature_c", "passed", "at"]
    list_select_related = ["feedstock__maker"]


@admin.register(Stay)
class StayAdmin(ReadOnlyAdmin):
    list_display = ["spool", "place", "start", "end"]
    list_select_related = ["spool", "place"]
    list_filter = ["place"]


@admin.register(MassEntry)
class MassEntryAdmin(ReadOnlyAdmin):
    list_display = ["spool", "kind", "at", "net_change_g", "gross_g"]
    list_select_related = ["spool"]
    list_filter = ["kind"]


@admin.register(Reading)
class ReadingAdmin(ReadOnlyAdmin):
    list_display = ["place", "at", "temperature_c", "rh_pct", "origin"]
    list_select_related = ["place"]
    list_filter = ["place", "origin"]


@admin.register(DesiccantCharge)
class DesiccantChargeAdmin(ReadOnlyAdmin):
    list_display = ["place", "kind", "dry_mass_g", "condition", "at"]
    list_select_related = ["place"]
    list_filter = ["place", "kind"]


@admin.register(BoxState)
class BoxStateAdmin(ReadOnlyAdmin):
    list_display = ["place", "at", "model_version"]
    list_select_related = ["place"]
    list_filter = ["place"]


@admin.register(BoxAir)
class BoxAirAdmin(ReadOnlyAdmin):
    list_display = ["place", "at", "temperature_c", "rh_pct"]
    list_select_related = ["place"]
    list_filter = ["place"]


@admin.register(MoistureState)
class MoistureStateAdmin(ReadOnlyAdmin):
    list_display = ["spool", "at", "model_version", "exposure_hours"]
    list_select_related = ["spool"]
    exclude = ["memory"]


admin.site.register([WantedPrint, WeekPlan, PlannedDrying, PlannedPrint], ReadOnlyAdmin)


@admin.register(OuterTurns)
class OuterTurnsAdmin(ReadOnlyAdmin):
    list_display = ["spool", "at", "p50_pct", "over_clear"]
    list_select_related = ["spool"]


admin.site.register([Maker, Filler, CoreKind])
