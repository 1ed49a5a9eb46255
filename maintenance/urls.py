"""Addresses of today, scanning and the spools; those of the machines are in urls_shop."""

from django.urls import include, path, re_path

from .pages import scan, spool, spool_acts, spool_drying, spool_loading, spool_receiving, spools, today

urlpatterns = [
    path("", today.today, name="today"),
    path("scan/", scan.scan, name="scan"),
    path("spools/", spools.spools, name="spools"),
    path("spools/receive/", spool_receiving.spool_receive, name="spool-receive"),
    path("s/<str:code>/", spool.spool, name="spool"),
    path("s/<str:code>/history/", spool.spool_history, name="spool-history"),
    path("s/<str:code>/label/", spool_receiving.spool_label, name="spool-label"),
    path("s/<str:code>/move/", spool_acts.spool_move, name="spool-move"),
    path("s/<str:code>/away/", spool_acts.spool_away, name="spool-away"),
    path("s/<str:code>/weigh/", spool_acts.spool_weigh, name="spool-weigh"),
    path("s/<str:code>/weighings/<int:pk>/", spool_acts.weighing_take_back, name="weighing-take-back"),
    path("s/<str:code>/reel/", spool_acts.spool_reel, name="spool-reel"),
    path("s/<str:code>/cut/", spool_acts.spool_cut, name="spool-cut"),
    path("s/<str:code>/cuts/<int:pk>/", spool_acts.cut_take_back, name="cut-take-back"),
    path("s/<str:code>/empty/", spool_acts.spool_empty, name="spool-empty"),
    path("s/<str:code>/load/", spool_loading.spool_load, name="spool-load"),
    path("s/<str:code>/unload/", spool_loading.spool_unload, name="spool-unload"),
    path("s/<str:code>/dry/", spool_drying.spool_dry, name="spool-dry"),
    # What the labels hold: capitals, no slash at the end.
    re_path(r"^[sS]/(?P<code>[^/]+)/?$", spool.spool),
    path("", include("maintenance.urls_shop")),
]
