"""Machines and kinds of part may be edited; what happened to them can only be looked at."""

from django.contrib import admin
from django.http import HttpRequest

from maintenance.service.records import save_kind
from spools.admin import ReadOnlyAdmin

from .models import (
    BoreReading,
    Fitting,
    FlowBlob,
    FlowCheck,
    FlowCheckWithdrawal,
    Job,
    JobFile,
    JobUse,
    Loading,
    Part,
    PartKind,
    Printer,
    Reminder,
    ServiceEntry,
    ServiceKind,
    StockEntry,
    Toolhead,
    TroubleOutcome,
    TroubleReport,
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


@admin.register(FlowCheck)
class FlowCheckAdmin(ReadOnlyAdmin):
    list_display = ["toolhead", "spool", "at", "nozzle_c", "length_mm", "resolution_g"]
    list_select_related = ["toolhead__printer", "spool"]


@admin.register(FlowBlob)
class FlowBlobAdmin(ReadOnlyAdmin):
    list_display = ["flow_check", "flow_mm3_s", "repeat", "mass_g"]
    list_select_related = ["flow_check"]


@admin.register(FlowCheckWithdrawal)
class FlowCheckWithdrawalAdmin(ReadOnlyAdmin):
    list_display = ["flow_check", "recorded_at", "reason"]
    list_select_related = ["flow_check"]


@admin.register(Job)
class JobAdmin(ReadOnlyAdmin):
    list_display = ["name", "printer", "start", "hours", "state", "withdrawn_at"]
    list_select_related = ["printer"]
    list_filter = ["state", "printer"]


@admin.register(JobFile)
class JobFileAdmin(ReadOnlyAdmin):
    list_display = ["name", "state", "size_bytes", "printer", "added_at"]
    list_select_related = ["printer"]
    list_filter = ["state"]


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


@admin.register(ServiceKind)
class ServiceKindAdmin(admin.ModelAdmin):
    list_display = ["name", "work", "subject", "interval", "unit", "stops", "in_use"]
    list_filter = ["work", "in_use"]

    def save_model(self, request: HttpRequest, obj: ServiceKind, form: object, change: bool) -> None:
        save_kind(obj)


@admin.register(ServiceEntry)
class ServiceEntryAdmin(ReadOnlyAdmin):
    list_display = ["kind", "printer", "toolhead", "at", "withdrawn_at"]
    list_select_related = ["kind", "printer", "toolhead__printer"]


@admin.register(TroubleReport)
class TroubleReportAdmin(ReadOnlyAdmin):
    list_display = ["toolhead", "spool", "at", "symptoms"]
    list_select_related = ["toolhead__printer", "spool"]


@admin.register(TroubleOutcome)
class TroubleOutcomeAdmin(ReadOnlyAdmin):
    list_display = ["report", "cause", "recorded_at"]
    list_select_related = ["report__toolhead__printer"]
