"""My account: address, password, second factor, signed-in browsers."""

from typing import Any

import segno
from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from access.models import User
from access.second_factor import confirm, has_second_factor, prepare, remove, require_code
from access.sessions import end_sessions, sessions_of
from access.sign_in import require_password
from pages.frame.doors import CodeForm
from pages.frame.forms import apply, post_data


def password_field() -> forms.CharField:
    widget = forms.PasswordInput(attrs={"autocomplete": "current-password"})
    return forms.CharField(label=gettext_lazy("Your password"), strip=False, max_length=1000, widget=widget)


class AddressForm(forms.ModelForm):
    present_password = password_field()

    class Meta:
        model = User
        fields = ["email"]
        help_texts = {
            "email": gettext_lazy("For a link when you forget your password. Nothing else is sent there.")
        }


class NewFactorForm(CodeForm):
    present_password = password_field()


@sensitive_post_parameters()
def account(request: HttpRequest) -> HttpResponse:
    user: Any = request.user
    form = AddressForm(post_data(request), instance=User.objects.get(pk=user.pk))

    def save(data: dict[str, Any]) -> None:
        require_password(request, user, data["present_password"])
        form.save()

    if apply(form, save):
        messages.success(request, _("Your address is saved."))
        return redirect("account")
    context = {
        "form": form,
        "sessions": sessions_of(user),
        "present": request.session.session_key,
        "has_second_factor": has_second_factor(user),
        "code_form": CodeForm(auto_id="end_%s"),
    }
    return render(request, "frame/account.html", context)


@require_POST
def sessions_end(request: HttpRequest) -> HttpResponse:
    user: Any = request.user
    end_sessions(user, but=request.session.session_key)
    messages.success(request, _("You are signed out everywhere but here."))
    return redirect("account")


@sensitive_post_parameters()
def second_factor(request: HttpRequest) -> HttpResponse:
    """The secret for the app, and the first code of it; then the recovery codes, once."""
    user: Any = request.user
    form, codes = NewFactorForm(post_data(request)), []

    def add(data: dict[str, Any]) -> None:
        require_password(request, user, data["present_password"])
        codes.extend(confirm(user, data["code"]))

    if not has_second_factor(user) and apply(form, add):
        return render(request, "frame/recovery_codes.html", {"codes": codes})
    if has_second_factor(user):
        return redirect("account")
    device = prepare(user)
    drawing = segno.make(device.config_url).svg_data_uri(scale=4, border=2)
    context = {
        "form": form,
        "drawing": drawing,
        "secret": device.config_url.partition("secret=")[2].partition("&")[0],
    }
    return render(request, "frame/second_factor.html", context)


@require_POST
def second_factor_end(request: HttpRequest) -> HttpResponse:
    user: Any = request.user

    def end(data: dict[str, Any]) -> None:
        require_code(user, data["code"])
        remove(user)

    if apply(CodeForm(request.POST), end):
        messages.success(request, _("Only your password is asked for from now on."))
    else:
        messages.error(
            request, _("This code is not valid now; nothing was changed."), extra_tags="wrong_code"
        )
    return redirect("account")
