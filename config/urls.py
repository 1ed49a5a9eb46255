from django.contrib import admin
from django.contrib.auth.views import LoginView, LogoutView
from django.urls import include, path

from api.metrics import metrics
from background.views import healthz, readyz
from maintenance.pages.status import status, status_again

sign_in = LoginView.as_view(template_name="accounts/sign_in.html", redirect_authenticated_user=True)

urlpatterns = [
    path("", include("maintenance.urls")),
    path("", include("spools.urls")),
    path("sign-in/", sign_in, name="sign-in"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("api/", include("api.urls")),
    path("admin/", admin.site.urls),
    path("status/", status, name="status"),
    path("status/<uuid:pk>/again/", status_again, name="status-again"),
    path("healthz", healthz, name="healthz"),
    path("readyz", readyz, name="readyz"),
    path("metrics", metrics, name="metrics"),
]
