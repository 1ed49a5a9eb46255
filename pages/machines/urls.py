from django.urls import path

from pages.machines import part_kinds, parts, service, stock, views

urlpatterns = [
    path("machines/", views.machines, name="machines"),
    path("machines/new/", views.machine_new, name="machine-new"),
    path("machines/<int:pk>/", views.machine, name="machine"),
    path("machines/<int:pk>/toolheads/new/", views.toolhead_new, name="toolhead-new"),
    path("machines/<int:pk>/change/", views.machine_edit, name="machine-edit"),
    path("toolheads/<int:pk>/change/", views.toolhead_edit, name="toolhead-edit"),
    path("machines/<int:pk>/retire/", views.machine_retire, name="machine-retire"),
    path("machines/<int:pk>/bring-back/", views.machine_bring_back, name="machine-bring-back"),
    path("machines/<int:pk>/fit/", parts.printer_part_fit, name="printer-part-fit"),
    path("machines/<int:pk>/fit-used/", parts.printer_part_fit_used, name="printer-part-fit-used"),
    path("toolheads/<int:pk>/fit-used/", parts.part_fit_used, name="part-fit-used"),
    path("toolheads/<int:pk>/fit/", parts.part_fit, name="part-fit"),
    path("fittings/<int:pk>/replace/", parts.part_replace, name="part-replace"),
    path("fittings/<int:pk>/remove/", parts.part_remove, name="part-remove"),
    path("fittings/<int:pk>/correct/", parts.removal_correct, name="removal-correct"),
    path("fittings/<int:pk>/put-back/", parts.removal_withdraw, name="removal-withdraw"),
    path("machines/<int:pk>/service/", service.service, name="service"),
    path("machines/<int:pk>/service/done/", service.service_done, name="service-done"),
    path("service/kinds/new/", service.service_kind, name="service-kind-new"),
    path("service/kinds/<int:pk>/", service.service_kind, name="service-kind"),
    path("parts/<int:pk>/", parts.part, name="part"),
    path("parts/<int:pk>/prior-use/", parts.prior_use, name="prior-use"),
    path("parts/<int:pk>/bore/", parts.bore_new, name="bore-new"),
    path("stock/", stock.stock, name="stock"),
    path("stock/add/", stock.stock_add, name="stock-add"),
    path("stock/kinds/new/", part_kinds.part_kind_new, name="part-kind-new"),
    path("stock/kinds/<int:pk>/", part_kinds.part_kind, name="part-kind"),
    path("stock/kinds/<int:pk>/change/", part_kinds.part_kind_edit, name="part-kind-edit"),
]
