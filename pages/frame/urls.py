from django.contrib.auth.views import LogoutView
from django.urls import path

from pages.frame import (
    account,
    accounts,
    audit,
    display,
    doors,
    live,
    status,
    today,
    tokens,
    undo,
    withdrawals,
)

urlpatterns = [
    path("", today.today, name="today"),
    path("sign-in/", doors.SignIn.as_view(), name="sign-in"),
    path("sign-in/code/", doors.sign_in_code, name="sign-in-code"),
    path("sign-in/forgotten/", doors.password_reset, name="password-reset"),
    path(
        "sign-in/forgotten/<str:uidb64>/<str:token>/",
        doors.ChooseAnew.as_view(),
        name="password-reset-confirm",
    ),
    path("account/", account.account, name="account"),
    path("account/sign-out/", account.sessions_end, name="sessions-end"),
    path("account/second-factor/", account.second_factor, name="second-factor"),
    path("account/second-factor/end/", account.second_factor_end, name="second-factor-end"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("accounts/", accounts.accounts, name="accounts"),
    path("accounts/invitations/<int:pk>/end/", accounts.invitation_end, name="invitation-end"),
    path("invitation/<str:key>/", accounts.invitation, name="invitation"),
    path("accounts/<int:pk>/", accounts.account_edit, name="account-edit"),
    path("accounts/audit/", audit.audit, name="audit"),
    path("accounts/tokens/", tokens.tokens, name="tokens"),
    path("accounts/tokens/<int:pk>/end/", tokens.token_end, name="token-end"),
    path("accounts/password/", doors.ChangePassword.as_view(), name="password"),
    path("accounts/password/changed/", accounts.password_changed, name="password-changed"),
    path("display/", display.display, name="display"),
    path("live/", live.live, name="live"),
    path("status/", status.status, name="status"),
    path("status/<uuid:pk>/again/", status.status_again, name="status-again"),
    path("take-back/", undo.take_back, name="take-back"),
    path("withdraw/<slug:kind>/<int:pk>/", withdrawals.withdraw_fact, name="withdraw"),
]
