"""Addresses of the drying, machines, jobs, stock and reminders pages."""

from django.urls import path

from .pages import drying, jobs, kinds, machines, parts, reminders, stock

urlpatterns = [
    path("drying/", drying.drying, name="drying"),
    path("drying/<int:pk>/start/", drying.drying_start, name="drying-start"),
    path("drying/<int:pk>/finish/", drying.drying_finish, name="drying-finish"),
    path("machines/", machines.machines, name="machines"),
    path("machines/new/", machines.machine_new, name="machine-new"),
    path("machines/<int:pk>/", machines.machine, name="machine"),
    path("machines/<int:pk>/toolheads/new/", machines.toolhead_new, name="toolhead-new"),
    path("machines/<int:pk>/fit/", parts.printer_part_fit, name="printer-part-fit"),
    path("toolheads/<int:pk>/fit/", parts.part_fit, name="part-fit"),
    path("fittings/<int:pk>/replace/", parts.part_replace, name="part-replace"),
    path("fittings/<int:pk>/remove/", parts.part_remove, name="part-remove"),
    path("parts/<int:pk>/", parts.part, name="part"),
    path("parts/<int:pk>/bore/", parts.bore_new, name="bore-new"),
    path("bore-readings/<int:pk>/withdraw/", parts.bore_withdraw, name="bore-withdraw"),
    path("jobs/", jobs.jobs, name="jobs"),
    path("jobs/new/", jobs.job_new, name="job-new"),
    path("jobs/<int:pk>/", jobs.job, name="job"),
    path("jobs/<int:pk>/withdraw/", jobs.job_withdraw, name="job-withdraw"),
    path("stock/", stock.stock, name="stock"),
    path("stock/add/", stock.stock_add, name="stock-add"),
    path("stock/kinds/new/", kinds.part_kind_new, name="part-kind-new"),
    path("stock/kinds/<int:pk>/", kinds.part_kind, name="part-kind"),
    path("stock/kinds/<int:pk>/change/", kinds.part_kind_edit, name="part-kind-edit"),
    path("reminders/", reminders.reminders, name="reminders"),
    path("reminders/<int:pk>/snooze/", reminders.reminder_snooze, name="reminder-snooze"),
    path("reminders/<int:pk>/done/", reminders.reminder_done, name="reminder-done"),
]
