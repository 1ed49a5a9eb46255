from django.contrib.auth.views import LoginView, LogoutView
from django.urls import path

from pages.frame import accounts, live, status, today, tokens, withdrawals

sign_in = LoginView.as_view(template_name="frame/sign_in.html", redirect_authenticated_user=True)

urlpatterns = [
    path("", today.today, name="today"),
    path("sign-in/", sign_in, name="sign-in"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("accounts/", accounts.accounts, name="accounts"),
    path("accounts/<int:pk>/", accounts.account_edit, name="account-edit"),
    path("accounts/tokens/", tokens.tokens, name="tokens"),
    path("accounts/tokens/<int:pk>/end/", tokens.token_end, name="token-end"),
    path("accounts/password/", accounts.change_password, name="password"),
    path("accounts/password/changed/", accounts.password_changed, name="password-changed"),
    path("live/", live.live, name="live"),
    path("status/", status.status, name="status"),
    path("status/<uuid:pk>/again/", status.status_again, name="status-again"),
    path("withdraw/<slug:kind>/<int:pk>/", withdrawals.withdraw_fact, name="withdraw"),
]
