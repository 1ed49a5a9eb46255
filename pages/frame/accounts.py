"""Accounts of the people of the shop: invited, given roles, closed."""

from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth import login
from django.contrib.auth.forms import BaseUserCreationForm
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from access.invitations import (
    accept,
    end_invitation,
    find_invitation,
    invitation_path,
    invite,
    open_invitations,
)
from access.models import Invitation, Role, User
from access.sessions import end_sessions
from access.tokens import end_token, live_tokens
from background.queue import enqueue
from pages.frame.forms import apply, post_data
from spools.refusals import refusal

ROLES = [
    (Role.VIEW, gettext_lazy("Look: read everything, change nothing")),
    (Role.WORK, gettext_lazy("Work: record what happens in the shop")),
    (Role.SET_UP, gettext_lazy("Set up: also the catalogue, machines, places, prices and accounts")),
]


def role_field() -> forms.ChoiceField:
    return forms.ChoiceField(
        label=gettext_lazy("Role"), choices=ROLES, initial=Role.WORK, widget=forms.RadioSelect
    )


class InvitationForm(forms.Form):
    role = role_field()
    email = forms.EmailField(
        label=gettext_lazy("E-mail"), required=False, help_text=gettext_lazy("Empty: the link is shown here.")
    )

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        if not settings.EMAIL_HOST:
            del self.fields["email"]


class NewAccountForm(BaseUserCreationForm):
    """The person's own name and password."""

    class Meta:
        model = User
        fields = ["username"]
        labels = {"username": gettext_lazy("Name")}
        help_texts = {"username": gettext_lazy("Shown beside each fact that you record.")}


class RoleForm(forms.Form):
    """The role of an account, whether it may sign in, and what is signed in ends."""

    role = role_field()
    is_active = forms.BooleanField(label=gettext_lazy("May sign in"), required=False)
    end_all = forms.BooleanField(
        label=gettext_lazy("Sign out everywhere and end all tokens"),
        required=False,
        help_text=gettext_lazy("When a password, a phone or a device is lost."),
    )


def change_role(account: User, by: User, role: str, is_active: bool, end_all: bool) -> None:
    """Raises ValidationError for the own account, so that somebody who may set up is always left, and for that of
    whoever manages the whole service.
    """
    if account == by:
        raise refusal("own_role", _("Another person with the role to set up changes your role."))
    if account.is_superuser and not by.is_superuser:
        raise refusal(
            "whole_service",
            _("{account} manages the whole service: only another who does may change it.").format(
                account=account
            ),
        )
    account.role, account.is_active = role, is_active
    account.save(update_fields=["role", "is_active"])
    if end_all:
        end_sessions(account)
        for token in live_tokens().filter(user=account):
            end_token(token)


def accounts(request: HttpRequest) -> HttpResponse:
    form, made = InvitationForm(post_data(request)), []
    by: Any = request.user
    if not apply(form, lambda data: made.append(invite(by, **data))):
        return _accounts_page(request, form)
    invitation: Invitation = made[0]
    base = settings.PUBLIC_URL or f"{request.scheme}://{request.get_host()}"
    if invitation.email:
        enqueue("access.mail_invitation", {"invitation_id": invitation.pk, "base": base})
        messages.success(request, _("An invitation to {email} is on its way.").format(email=invitation.email))
        return redirect("accounts")
    link = base + invitation_path(invitation)
    return render(request, "frame/invitation_link.html", {"invitation": invitation, "link": link})


def invitation(request: HttpRequest, key: str) -> HttpResponse:
    """For whoever has the link of an open invitation: makes an account and signs in."""
    found = find_invitation(key)
    if found is None:
        return render(request, "frame/invitation.html", status=404)
    form = NewAccountForm(post_data(request))
    made: list[User] = []
    if apply(form, lambda _: made.append(accept(found, form.save(commit=False)))):
        login(request, made[0])
        return redirect("today")
    return render(request, "frame/invitation.html", {"invitation": found, "form": form})


@require_POST
def invitation_end(request: HttpRequest, pk: int) -> HttpResponse:
    end_invitation(get_object_or_404(open_invitations(), pk=pk))
    messages.success(request, _("The invitation is taken back."))
    return redirect("accounts")


def account_edit(request: HttpRequest, pk: int) -> HttpResponse:
    account = get_object_or_404(User, pk=pk)
    form = RoleForm(post_data(request), prefix=str(pk), initial=_present(account))
    by: Any = request.user
    if apply(form, lambda data: change_role(account, by, **data)):
        messages.success(request, _("The account of {account} is changed.").format(account=account))
        return redirect("accounts")
    return _accounts_page(request, InvitationForm(), form)


def _present(account: User) -> dict[str, Any]:
    return {"role": account.role, "is_active": account.is_active}


def _accounts_page(
    request: HttpRequest, form: InvitationForm, edited: RoleForm | None = None
) -> HttpResponse:
    rows = []
    for account in User.objects.order_by("username"):
        prefix = str(account.pk)
        change = edited if edited and edited.prefix == prefix else None
        rows.append((account, change or RoleForm(prefix=prefix, initial=_present(account))))
    return render(
        request, "frame/accounts.html", {"form": form, "accounts": rows, "invitations": open_invitations()}
    )


def password_changed(request: HttpRequest) -> HttpResponse:
    messages.success(request, _("Your password is changed."))
    return redirect("today")
