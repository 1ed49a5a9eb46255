"""Tokens of devices and scripts: added, shown once, and ended. Who may set up sees and ends those of everybody."""

from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from access.models import Role, Token
from access.tokens import MOST_DAYS, add_token, end_token, live_tokens
from pages.frame.forms import apply, post_data
from spools.models import Place


class TokenForm(forms.Form):
    name = forms.CharField(label=gettext_lazy("Device or script"), max_length=80)
    scope = forms.ChoiceField(label=gettext_lazy("It may"), choices=Token.Scope, widget=forms.RadioSelect)
    place = forms.ModelChoiceField(
        Place.objects.filter(retired_at=None),
        label=gettext_lazy("Place"),
        required=False,
        help_text=gettext_lazy("For readings: the place whose sensor it is."),
    )
    days = forms.IntegerField(
        label=gettext_lazy("Ends after, days"),
        min_value=1,
        max_value=MOST_DAYS,
        required=False,
        help_text=gettext_lazy("Empty: never."),
    )


def tokens(request: HttpRequest) -> HttpResponse:
    form, made = TokenForm(post_data(request)), []

    def add(data: dict[str, Any]) -> None:
        place = data.pop("place")
        made.append(add_token(request.user, place=place and place.pk, **data))  # type: ignore[arg-type]

    if apply(form, add):
        token, key = made[0]
        return render(request, "frame/token.html", {"token": token, "key": key})
    places = dict(Place.objects.values_list("pk", "name"))
    rows = [(token, places.get(token.place_id or 0)) for token in _listed(request).select_related("user")]
    return render(request, "frame/tokens.html", {"form": form, "tokens": rows})


@require_POST
def token_end(request: HttpRequest, pk: int) -> HttpResponse:
    token = get_object_or_404(_listed(request), pk=pk)
    end_token(token)
    messages.success(request, _("The token of {token} is ended.").format(token=token))
    return redirect("tokens")


def _listed(request: HttpRequest) -> QuerySet[Token]:
    user: Any = request.user
    return live_tokens() if user.has_role(Role.SET_UP) else live_tokens().filter(user=user)
