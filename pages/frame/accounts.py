"""Accounts of the people of the shop: listed and added by staff; everybody changes the own password."""

from django import forms
from django.contrib import messages
from django.contrib.auth import get_user_model
from django.contrib.auth.decorators import login_required
from django.contrib.auth.password_validation import validate_password
from django.contrib.auth.views import PasswordChangeView
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse_lazy

from pages.frame.forms import apply, post_data

User = get_user_model()


class AccountForm(forms.ModelForm):
    """A new account. It may record everything on the pages; the admin is open to staff alone."""

    password = forms.CharField(
        label="Initial password",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="Pass it on in person. Everybody changes the own one after signing in.",
    )
    is_staff = forms.BooleanField(label="May add accounts", required=False, help_text="And open the admin.")

    class Meta:
        model = User
        fields = ["username", "password", "is_staff"]
        labels = {"username": "Name"}
        help_texts = {"username": "Shown beside each fact that this person records."}

    def clean(self) -> dict:
        data = super().clean() or {}
        if data.get("password"):
            try:
                validate_password(data["password"], User(username=data.get("username", "")))
            except ValidationError as error:
                self.add_error("password", error)
        return data


@login_required
def accounts(request: HttpRequest) -> HttpResponse:
    if not request.user.is_staff:
        raise PermissionDenied
    form = AccountForm(post_data(request))
    if apply(form, lambda data: User.objects.create_user(**data)):
        messages.success(request, f"{form.cleaned_data['username']} may sign in now.")
        return redirect("accounts")
    return render(
        request, "frame/accounts.html", {"form": form, "accounts": User.objects.order_by("username")}
    )


change_password = PasswordChangeView.as_view(
    template_name="frame/password.html", success_url=reverse_lazy("password-changed")
)


@login_required
def password_changed(request: HttpRequest) -> HttpResponse:
    messages.success(request, "Your password is changed.")
    return redirect("today")
