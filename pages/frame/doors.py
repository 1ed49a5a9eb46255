"""Signing in, with a second step where there is a second factor, and choosing a forgotten password anew."""

import time
from typing import Any

from django import forms
from django.conf import settings
from django.contrib.auth import login
from django.contrib.auth.views import LoginView, PasswordChangeView, PasswordResetConfirmView
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render, resolve_url
from django.urls import reverse, reverse_lazy
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext_lazy
from django.views.decorators.debug import sensitive_post_parameters

from access.models import User
from access.second_factor import has_second_factor, require_code
from access.sign_in import count_reset
from background.queue import enqueue
from pages.frame.forms import apply, post_data

# Of the session between the two steps of signing in.
PENDING, PENDING_S = "second_step", 300


class SignIn(LoginView):
    template_name = "frame/sign_in.html"
    redirect_authenticated_user = True

    def form_valid(self, form: Any) -> HttpResponse:
        user = form.get_user()
        if not has_second_factor(user):
            return super().form_valid(form)
        self.request.session.cycle_key()
        self.request.session[PENDING] = {"user": user.pk, "at": time.time(), "next": self.get_redirect_url()}
        return HttpResponseRedirect(reverse("sign-in-code"))


class CodeForm(forms.Form):
    code = forms.CharField(
        label=gettext_lazy("Code from your app, or a recovery code"),
        max_length=40,
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code", "autofocus": True}),
    )


@sensitive_post_parameters()
def sign_in_code(request: HttpRequest) -> HttpResponse:
    """The second step, for five minutes after the password."""
    pending = request.session.get(PENDING, {})
    user = User.objects.filter(pk=pending.get("user"), is_active=True).first()
    if user is None or time.time() - pending["at"] > PENDING_S:
        return redirect("sign-in")
    form = CodeForm(post_data(request))
    if apply(form, lambda data: require_code(user, data["code"])):
        del request.session[PENDING]
        login(request, user)
        after = pending["next"]
        is_ours = url_has_allowed_host_and_scheme(after, {request.get_host()}, request.is_secure())
        return redirect(after if is_ours else resolve_url(settings.LOGIN_REDIRECT_URL))
    return render(request, "frame/sign_in_code.html", {"form": form})


class ChangePassword(PasswordChangeView):
    template_name = "frame/password.html"
    success_url = reverse_lazy("password-changed")

    def form_valid(self, form: Any) -> HttpResponse:
        form.user.must_change_password = False
        return super().form_valid(form)


class ResetForm(forms.Form):
    name = forms.CharField(
        label=gettext_lazy("Name"), max_length=150, help_text=gettext_lazy("Of your account.")
    )


def password_reset(request: HttpRequest) -> HttpResponse:
    """Asks for a link by mail. The answer does not reveal whether there is such an account."""
    form, is_sent = ResetForm(post_data(request)), False
    if settings.EMAIL_HOST and form.is_valid():
        count_reset(request, form.cleaned_data["name"])
        user = (
            User.objects.filter(username=form.cleaned_data["name"], is_active=True).exclude(email="").first()
        )
        if user is not None:
            base = settings.PUBLIC_URL or f"{request.scheme}://{request.get_host()}"
            enqueue("access.mail_reset", {"user_id": user.pk, "base": base})
        is_sent = True
    context = {"form": form, "is_sent": is_sent, "is_set_up": bool(settings.EMAIL_HOST)}
    return render(request, "frame/password_reset.html", context)


class ChooseAnew(PasswordResetConfirmView):
    template_name = "frame/password_anew.html"
    success_url = reverse_lazy("sign-in")

    def form_valid(self, form: Any) -> HttpResponse:
        form.user.must_change_password = False
        return super().form_valid(form)
