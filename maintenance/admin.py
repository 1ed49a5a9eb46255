"""Machines and kinds of part may be edited; what happened to them can only be looked at."""

from django.contrib import admin

from spools.admin import ReadOnlyAdmin

from .models import (
    BoreReading,
    Fitting,
    Job,
    JobUse,
    Loading,
    Part,
    PartKind,
    Printer,
    Reminder,
    StockEntry,
    Toolhead,
    WearEntry,
)


@admin.register(Printer)
class PrinterAdmin(admin.ModelAdmin):
    list_display = ["name", "place", "bed_max_c", "enclosed", "retired_at"]
    list_select_related = ["place"]


@admin.register(Toolhead)
class ToolheadAdmin(admin.ModelAdmin):
    list_display = ["__str__", "hot_end_max_c", "ptfe_lined", "feed"]
    list_select_related = ["printer"]


@admin.register(PartKind)
class PartKindAdmin(admin.ModelAdmin):
    list_display = ["name", "role", "material", "life", "life_unit", "reorder_point"]
    list_filter = ["role"]


@admin.register(Part)
class PartAdmin(ReadOnlyAdmin):
    list_display = ["__str__", "created_at"]
    list_select_related = ["kind"]


@admin.register(Fitting)
class FittingAdmin(ReadOnlyAdmin):
    list_display = ["part", "toolhead", "printer", "role", "start", "end", "removal"]
    list_select_related = ["part__kind", "toolhead__printer", "printer"]


@admin.register(BoreReading)
class BoreReadingAdmin(ReadOnlyAdmin):
    list_display = ["part", "bore_mm", "error_mm", "method", "at", "withdrawn_at"]
    list_select_related = ["part__kind"]


@admin.register(StockEntry)
class StockEntryAdmin(ReadOnlyAdmin):
    list_display = ["kind", "change", "at", "note"]
    list_select_related = ["kind"]


@admin.register(Loading)
class LoadingAdmin(ReadOnlyAdmin):
    list_display = ["toolhead", "spool", "start", "end", "state"]
    list_select_related = ["toolhead__printer", "spool"]
    list_filter = ["state"]


@admin.register(Job)
class JobAdmin(ReadOnlyAdmin):
    list_display = ["name", "printer", "start", "hours", "state", "withdrawn_at"]
    list_select_related = ["printer"]
    list_filter = ["state", "printer"]


@admin.register(JobUse)
class JobUseAdmin(ReadOnlyAdmin):
    list_display = ["job", "toolhead", "spool", "mass_g"]
    list_select_related = ["job", "toolhead__printer", "spool"]


@admin.register(WearEntry)
class WearEntryAdmin(ReadOnlyAdmin):
    list_display = ["part", "use", "dose_km", "feed_km", "hot_h", "residue_h", "hours", "prints"]
    list_select_related = ["part__kind", "use"]


@admin.register(Reminder)
class ReminderAdmin(ReadOnlyAdmin):
    list_display = ["title", "kind", "raised_at", "snoozed_until", "ended_at", "ending"]
    list_filter = ["kind", "ending"]
