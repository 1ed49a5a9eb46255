from django.urls import path

from pages.drying import one_spool, views, week

urlpatterns = [
    path("s/<str:code>/dry/", one_spool.spool_dry, name="spool-dry"),
    path("drying/", views.drying, name="drying"),
    path("drying/<int:pk>/start/", views.drying_start, name="drying-start"),
    path("drying/<int:pk>/finish/", views.drying_finish, name="drying-finish"),
    path("drying/week/", week.week_page, name="week"),
    path("drying/week/plan/", week.week_plan, name="week-plan"),
    path("drying/week/print-requests/<int:pk>/", week.print_request, name="print-request"),
    path("drying/week/print-requests/new/", week.print_request_new, name="print-request-new"),
    path("drying/week/plans/<int:pk>/accept/", week.week_accept, name="week-accept"),
    path("drying/week/plans/<int:pk>/reject/", week.week_reject, name="week-reject"),
    path("drying/week/dryings/<int:pk>/move/", week.planned_move, name="planned-move"),
    path("drying/week/dryings/<int:pk>/cancel/", week.planned_cancel, name="planned-cancel"),
    path("drying/week/dryings/<int:pk>/pin/", week.planned_pin, name="planned-pin"),
]
