"""Accounts of the people of the shop: listed, added and given roles; everybody changes the own password."""

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from access.models import Role, User
from pages.frame.forms import apply, post_data
from spools.refusals import refusal

ROLES = [
    (Role.VIEW, "Look: read everything, change nothing"),
    (Role.WORK, "Work: record what happens in the shop"),
    (Role.SET_UP, "Set up: also the catalogue, machines, places, prices and accounts"),
]


def role_field() -> forms.ChoiceField:
    return forms.ChoiceField(label="Role", choices=ROLES, initial=Role.WORK, widget=forms.RadioSelect)


class AccountForm(forms.ModelForm):
    """A new account."""

    password = forms.CharField(
        label="Initial password",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="Pass it on in person. It must be changed at the first sign-in.",
    )
    role = role_field()

    class Meta:
        model = User
        fields = ["username", "password", "role"]
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


class RoleForm(forms.Form):
    """The role of an account, and whether it may sign in."""

    role = role_field()
    is_active = forms.BooleanField(label="May sign in", required=False)


def change_role(account: User, by: User, role: str, is_active: bool) -> None:
    """Raises ValidationError for the own account: so somebody who may set up is always left."""
    if account == by:
        raise refusal("own_role", "Another person with the role to set up changes your role.")
    account.role, account.is_active = role, is_active
    account.save(update_fields=["role", "is_active"])


def accounts(request: HttpRequest) -> HttpResponse:
    form = AccountForm(post_data(request))
    if apply(form, lambda data: User.objects.create_user(**data, must_change_password=True)):
        messages.success(request, f"{form.cleaned_data['username']} may sign in now.")
        return redirect("accounts")
    return _accounts_page(request, form)


def account_edit(request: HttpRequest, pk: int) -> HttpResponse:
    account = get_object_or_404(User, pk=pk)
    form = RoleForm(post_data(request), prefix=str(pk), initial=_present(account))
    by: Any = request.user
    if apply(form, lambda data: change_role(account, by, **data)):
        messages.success(request, f"The account of {account} is changed.")
        return redirect("accounts")
    return _accounts_page(request, AccountForm(), form)


def _present(account: User) -> dict[str, Any]:
    return {"role": account.role, "is_active": account.is_active}


def _accounts_page(request: HttpRequest, form: AccountForm, edited: RoleForm | None = None) -> HttpResponse:
    rows = []
    for account in User.objects.order_by("username"):
        prefix = str(account.pk)
        change = edited if edited and edited.prefix == prefix else None
        rows.append((account, change or RoleForm(prefix=prefix, initial=_present(account))))
    return render(request, "frame/accounts.html", {"form": form, "accounts": rows})


def password_changed(request: HttpRequest) -> HttpResponse:
    messages.success(request, "Your password is changed.")
    return redirect("today")
