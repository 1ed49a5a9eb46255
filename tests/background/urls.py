from django.urls import path

from background.views import healthz, readyz

urlpatterns = [path("healthz", healthz), path("readyz", readyz)]
