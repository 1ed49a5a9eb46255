from django.urls import path, re_path

from pages.spools import actions, batch, detail, listing, loading, overview, past_facts, receiving, scan

urlpatterns = [
    path("scan/", scan.scan, name="scan"),
    path("scan/move/", batch.spools_move, name="spools-move"),
    path("spools/", overview.spools, name="spools"),
    path("spools/import/", listing.spools_import, name="spools-import"),
    path("spools/receive/", receiving.spool_receive, name="spool-receive"),
    path("s/<str:code>/", detail.spool, name="spool"),
    path("s/<str:code>/history/", detail.spool_history, name="spool-history"),
    path("s/<str:code>/move/", actions.spool_move, name="spool-move"),
    path("s/<str:code>/away/", actions.spool_away, name="spool-away"),
    path("s/<str:code>/open/", actions.spool_open, name="spool-open"),
    path("s/<str:code>/weigh/", actions.spool_weigh, name="spool-weigh"),
    path("s/<str:code>/weighings/<int:pk>/", actions.weighing_correct, name="weighing-correct"),
    path("s/<str:code>/past-drying/", past_facts.past_run, name="spool-past-drying"),
    path("s/<str:code>/past-loading/", past_facts.past_loading, name="spool-past-loading"),
    path("s/<str:code>/dryings/<int:pk>/", past_facts.run_correct, name="run-correct"),
    path("s/<str:code>/loadings/<int:pk>/", past_facts.loading_correct, name="loading-correct"),
    path("s/<str:code>/moves/<int:pk>/", actions.move_correct, name="move-correct"),
    path("s/<str:code>/reel/", actions.spool_reel, name="spool-reel"),
    path("s/<str:code>/price/", actions.spool_price, name="spool-price"),
    path("s/<str:code>/receipt/", actions.spool_receipt, name="spool-receipt"),
    path("s/<str:code>/respool/", actions.spool_respool, name="spool-respool"),
    path("s/<str:code>/join/", actions.spool_join, name="spool-join"),
    path("s/<str:code>/cut/", actions.spool_cut, name="spool-cut"),
    path("s/<str:code>/end/", actions.spool_end, name="spool-end"),
    path("s/<str:code>/load/", loading.spool_load, name="spool-load"),
    path("s/<str:code>/unload/", loading.spool_unload, name="spool-unload"),
    # Labels print the address in capitals and without a slash at the end.
    re_path(r"^[sS]/(?P<code>[^/]+)/?$", detail.spool, name="spool-printed"),
]
