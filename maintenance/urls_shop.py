"""Addresses of the drying, machines, service, jobs, trouble, stock and reminders pages."""

from django.urls import path

from .pages import drying, flow_checks, jobs, machines, parts, reminders, service, stock, trouble

urlpatterns = [
    path("drying/", drying.drying, name="drying"),
    path("drying/<int:pk>/start/", drying.drying_start, name="drying-start"),
    path("drying/<int:pk>/finish/", drying.drying_finish, name="drying-finish"),
    path("machines/", machines.machines, name="machines"),
    path("machines/new/", machines.machine_new, name="machine-new"),
    path("machines/<int:pk>/", machines.machine, name="machine"),
    path("machines/<int:pk>/toolheads/new/", machines.toolhead_new, name="toolhead-new"),
    path("toolheads/<int:pk>/fit/", parts.part_fit, name="part-fit"),
    path("toolheads/<int:pk>/flow/", flow_checks.toolhead_flow, name="toolhead-flow"),
    path("flow-checks/new/", flow_checks.flow_check_new, name="flow-check-new"),
    path("flow-checks/<int:pk>/", flow_checks.flow_check, name="flow-check"),
    path("flow-checks/<int:pk>/withdraw/", flow_checks.flow_check_withdraw, name="flow-check-withdraw"),
    path("fittings/<int:pk>/replace/", parts.part_replace, name="part-replace"),
    path("fittings/<int:pk>/remove/", parts.part_remove, name="part-remove"),
    path("machines/<int:pk>/service/", service.service, name="service"),
    path("machines/<int:pk>/service/done/", service.service_done, name="service-done"),
    path("service/<int:pk>/withdraw/", service.service_withdraw, name="service-withdraw"),
    path("service/kinds/new/", service.service_kind, name="service-kind-new"),
    path("service/kinds/<int:pk>/", service.service_kind, name="service-kind"),
    path("trouble/", trouble.troubles, name="troubles"),
    path("trouble/new/", trouble.trouble_new, name="trouble-new"),
    path("trouble/<int:pk>/", trouble.trouble, name="trouble"),
    path("trouble/<int:pk>/outcome/", trouble.trouble_outcome, name="trouble-outcome"),
    path("jobs/", jobs.jobs, name="jobs"),
    path("jobs/new/", jobs.job_new, name="job-new"),
    path("jobs/<int:pk>/", jobs.job, name="job"),
    path("jobs/<int:pk>/withdraw/", jobs.job_withdraw, name="job-withdraw"),
    path("stock/", stock.stock, name="stock"),
    path("stock/add/", stock.stock_add, name="stock-add"),
    path("stock/kinds/new/", stock.part_kind_new, name="part-kind-new"),
    path("reminders/", reminders.reminders, name="reminders"),
    path("reminders/<int:pk>/snooze/", reminders.reminder_snooze, name="reminder-snooze"),
    path("reminders/<int:pk>/done/", reminders.reminder_done, name="reminder-done"),
]
