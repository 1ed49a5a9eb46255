"""Filters of lists. Times carry their offset, as everywhere in the API."""

from datetime import datetime
from typing import Any

import django_filters
import django_filters.rest_framework
from django import forms
from django.db import models
from django.db.models import Q, QuerySet
from django.utils.translation import gettext as _
from django_filters.rest_framework import DjangoFilterBackend
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request

from api.fields import Moment
from maintenance.jobs.queries import takes_from
from maintenance.models import (
    Fitting,
    FlowCheck,
    Job,
    Loading,
    Part,
    PartKind,
    Printer,
    Reminder,
    Scale,
    ScaleWeighing,
    ServiceEntry,
    ServiceKind,
    Toolhead,
    TroubleReport,
)
from maintenance.models.parts import PRESENT
from maintenance.reminders.queries import open_reminders
from spools import codes
from spools.models import DryingRun, Feedstock, Place, Polymer, PrintRequest, Reading, Spool

# Other parameters of an address: the part of the list, and its format.
NOT_FILTERS = {"limit", "offset", "format"}


class YesNoField(forms.Field):
    def to_python(self, value: Any) -> bool | None:
        if value is None:
            return None
        if value.lower() not in ("true", "false"):
            raise forms.ValidationError(_("Give true or false."))
        return value.lower() == "true"


class YesNoFilter(django_filters.BooleanFilter):
    """Refuses what is neither; the library would return every row."""

    field_class = YesNoField

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"widget": forms.TextInput} | kwargs)


class StrictFilterSet(django_filters.rest_framework.FilterSet):
    """For endpoints that name their fields alone."""

    FILTER_DEFAULTS = django_filters.rest_framework.FilterSet.FILTER_DEFAULTS | {
        models.BooleanField: {"filter_class": YesNoFilter}
    }


class StrictFilterBackend(DjangoFilterBackend):
    """Refuses unknown filters: a misspelt one would return every row."""

    filterset_base = StrictFilterSet

    def filter_queryset(self, request: Request, queryset: QuerySet[Any], view: Any) -> QuerySet[Any]:
        if getattr(view, "action", "") == "list":
            filters = self.get_filterset_class(view, queryset)
            known_names = {*(filters.base_filters if filters else ()), *NOT_FILTERS}
            unknown = sorted(set(request.query_params) - known_names)
            if unknown:
                can = ", ".join(sorted(known_names - {"format"}))
                raise ValidationError(
                    dict.fromkeys(
                        unknown, _("This list knows no such word. Give some of: {words}.").format(words=can)
                    )
                )
            # Without a value a filter would return every row, too.
            if empty := [name for name, value in request.query_params.items() if not value.strip()]:
                raise ValidationError(dict.fromkeys(empty, _("Give a value, or leave this word out.")))
        return super().filter_queryset(request, queryset, view)


class MomentField(forms.Field):
    def to_python(self, value: Any) -> datetime | None:
        try:
            return Moment().run_validation(value) if value else None
        except ValidationError as error:
            raise forms.ValidationError([str(message) for message in error.detail]) from None


@extend_schema_field(OpenApiTypes.DATETIME)
class MomentFilter(django_filters.Filter):
    field_class = MomentField


class CodeField(forms.Field):
    def to_python(self, value: Any) -> str | None:
        return codes.normalise(value) if value else None


@extend_schema_field(OpenApiTypes.STR)
class SpoolFilter(django_filters.Filter):
    """A spool by its code."""

    field_class = CodeField

    def __init__(self, field_name: str = "spool__code", **kwargs: Any) -> None:
        super().__init__(field_name, **kwargs)


def one_of(model: Any, field_name: str, **kwargs: Any) -> django_filters.ModelChoiceFilter:
    return django_filters.ModelChoiceFilter(field_name=field_name, queryset=model.objects.all(), **kwargs)


def is_null(field_name: str) -> YesNoFilter:
    return YesNoFilter(field_name=field_name, lookup_expr="isnull")


class ReadingFilter(django_filters.FilterSet):
    since = MomentFilter("at", lookup_expr="gte")
    until = MomentFilter("at", lookup_expr="lte")

    class Meta:
        model = Reading
        fields: list = []


class SpoolListFilter(django_filters.FilterSet):
    polymer = one_of(Polymer, "feedstock__polymer")
    feedstock = one_of(Feedstock, "feedstock")
    place = one_of(Place, "stays__place", method="in_place")
    in_use = is_null("ended_at")

    class Meta:
        model = Spool
        fields: list = []

    def in_place(self, queryset, name: str, place: Place):
        return queryset.filter(stays__end=None, stays__place=place)


class GoesOnFilter(YesNoFilter):
    """Valid facts that have no end yet, or the others."""

    def filter(self, queryset: QuerySet, value: bool | None) -> QuerySet:
        goes_on = Q(**{self.field_name or "end": None}, withdrawn_at=None)
        return queryset if value is None else queryset.filter(goes_on if value else ~goes_on)


class DryingRunFilter(django_filters.FilterSet):
    spool = SpoolFilter()
    dryer = one_of(Place, "dryer")
    open = GoesOnFilter("end")
    valid = is_null("withdrawn_at")

    class Meta:
        model = DryingRun
        fields: list = []


class LoadingFilter(django_filters.FilterSet):
    spool = SpoolFilter()
    toolhead = one_of(Toolhead, "toolhead")
    open = GoesOnFilter("end")
    valid = is_null("withdrawn_at")

    class Meta:
        model = Loading
        fields: list = []


class FittingFilter(django_filters.FilterSet):
    toolhead = one_of(Toolhead, "toolhead")
    printer = one_of(Printer, "printer")
    part = one_of(Part, "part")
    role = django_filters.ChoiceFilter(choices=PartKind.Role.choices)
    open = YesNoFilter(method="lasts")

    class Meta:
        model = Fitting
        fields: list = []

    def lasts(self, queryset: QuerySet, name: str, value: bool) -> QuerySet:
        return queryset.filter(PRESENT) if value else queryset.exclude(PRESENT)


class PartFilter(django_filters.FilterSet):
    kind = one_of(PartKind, "kind")
    role = django_filters.ChoiceFilter(field_name="kind__role", choices=PartKind.Role.choices)
    toolhead = one_of(Toolhead, "fittings__toolhead", method="on_toolhead")

    class Meta:
        model = Part
        fields: list = []

    def on_toolhead(self, queryset, name: str, toolhead: Toolhead):
        return queryset.filter(fittings__end=None, fittings__withdrawn_at=None, fittings__toolhead=toolhead)


class FlowCheckFilter(django_filters.FilterSet):
    spool = SpoolFilter()
    toolhead = one_of(Toolhead, "toolhead")
    valid = is_null("withdrawn_at")

    class Meta:
        model = FlowCheck
        fields: list = []


class ScaleWeighingFilter(django_filters.FilterSet):
    spool = SpoolFilter()
    scale = one_of(Scale, "scale")
    held = YesNoFilter(method="is_held")

    class Meta:
        model = ScaleWeighing
        fields: list = []

    def is_held(self, queryset: QuerySet, name: str, value: bool) -> QuerySet:
        return queryset.exclude(held="") if value else queryset.filter(held="")


class PrintRequestFilter(django_filters.FilterSet):
    spool = SpoolFilter()
    valid = is_null("withdrawn_at")

    class Meta:
        model = PrintRequest
        fields: list = []


class JobFilter(django_filters.FilterSet):
    printer = one_of(Printer, "printer")
    batch = django_filters.CharFilter(method="with_batch")
    part = one_of(Part, "uses__wear__part", distinct=True)
    project = django_filters.CharFilter("project", lookup_expr="iexact")
    spool = SpoolFilter(method="with_spool")
    stage = django_filters.ChoiceFilter(choices=Job.Stage.choices)
    since = MomentFilter("start", lookup_expr="gte")
    until = MomentFilter("start", lookup_expr="lte")

    class Meta:
        model = Job
        fields: list = []

    def with_batch(self, queryset, name: str, batch: str):
        """Those that take or took from a spool of a batch, those that are planned too."""
        return queryset.filter(takes_from(batch__iexact=batch))

    def with_spool(self, queryset, name: str, code: str):
        """As with_batch, of one spool."""
        return queryset.filter(takes_from(code=code))


class ReminderFilter(django_filters.FilterSet):
    kind = django_filters.ChoiceFilter(choices=Reminder.Kind.choices)
    condition = django_filters.CharFilter("condition")
    spool = SpoolFilter()
    part = one_of(Part, "part")
    toolhead = one_of(Toolhead, "toolhead")
    printer = one_of(Printer, "printer")
    part_kind = one_of(PartKind, "part_kind")
    feedstock = one_of(Feedstock, "feedstock")
    place = one_of(Place, "place")
    open = is_null("ended_at")
    due = YesNoFilter(method="due_now")
    urgent = YesNoFilter("urgent_since", lookup_expr="isnull", exclude=True)
    since = MomentFilter("opened_at", lookup_expr="gte")
    until = MomentFilter("opened_at", lookup_expr="lte")

    class Meta:
        model = Reminder
        fields: list = []

    def due_now(self, queryset, name: str, due: bool):
        """Neither ended nor snoozed."""
        now_due = Q(pk__in=open_reminders().values("pk"))
        return queryset.filter(now_due if due else ~now_due)


class ServiceFilter(django_filters.FilterSet):
    kind = one_of(ServiceKind, "kind")
    printer = one_of(Printer, "printer")
    toolhead = one_of(Toolhead, "toolhead")

    class Meta:
        model = ServiceEntry
        fields: list = []


class TroubleFilter(django_filters.FilterSet):
    toolhead = one_of(Toolhead, "toolhead")
    spool = SpoolFilter()
    job = one_of(Job, "job")

    class Meta:
        model = TroubleReport
        fields: list = []
