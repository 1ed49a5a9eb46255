from django.urls import path

from background.views import healthz

urlpatterns = [path("healthz", healthz)]
