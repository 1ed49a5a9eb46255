from django.urls import path, re_path

from pages.labels import views

urlpatterns = [
    path("labels/", views.labels, name="labels"),
    path("labels/tags/", views.label_tags, name="label-tags"),
    path("labels/paper/<str:key>.css", views.label_paper, name="label-paper"),
    path("s/<str:code>/label/", views.spool_label, name="spool-label"),
    # As labels print it: in capitals and without a slash at the end.
    re_path(r"^[cC]/(?P<code>[^/]+)/?$", views.short_code, name="short-code"),
]
