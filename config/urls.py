from django.contrib import admin
from django.urls import include, path

from api.metrics import metrics
from background.views import healthz, readyz

urlpatterns = [
    path("", include("pages.urls")),
    path("api/", include("api.urls")),
    path("admin/", admin.site.urls),
    path("healthz", healthz, name="healthz"),
    path("readyz", readyz, name="readyz"),
    path("metrics", metrics, name="metrics"),
]
