from django.contrib import admin
from django.contrib.auth.views import LoginView, LogoutView
from django.urls import include, path

from background.views import healthz

sign_in = LoginView.as_view(template_name="accounts/sign_in.html", redirect_authenticated_user=True)

urlpatterns = [
    path("", include("maintenance.urls")),
    path("", include("spools.urls")),
    path("sign-in/", sign_in, name="sign-in"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("api/", include("api.urls")),
    path("admin/", admin.site.urls),
    path("healthz", healthz, name="healthz"),
]
