"""Language and units: a choice of each person, for whom no account is needed."""

from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render, resolve_url
from django.utils import translation
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import get_language, gettext_lazy
from django.utils.translation import gettext as _

from access.display import store_display, units_now
from background.units import UNITS
from pages.frame.forms import post_data


class DisplayForm(forms.Form):
    language = forms.ChoiceField(label=gettext_lazy("Language"), choices=settings.LANGUAGES)
    units = forms.ChoiceField(
        label=gettext_lazy("Units"),
        choices=UNITS,
        help_text=gettext_lazy(
            "Of what is shown. Fields are filled in with the unit that their label names."
        ),
    )
    next = forms.CharField(required=False, max_length=2000, widget=forms.HiddenInput)


def display(request: HttpRequest) -> HttpResponse:
    came_from = request.META.get("HTTP_REFERER", "")
    initial = {"language": get_language(), "units": units_now(request), "next": came_from}
    form = DisplayForm(post_data(request), initial=initial)
    if form.is_valid():
        data: dict[str, Any] = form.cleaned_data
        is_ours = url_has_allowed_host_and_scheme(data["next"], {request.get_host()}, request.is_secure())
        answer = redirect(data["next"] if is_ours else resolve_url(settings.LOGIN_REDIRECT_URL))
        store_display(request, answer, data["language"], data["units"])
        with translation.override(data["language"]):
            messages.success(request, _("Language and units are saved."))
        return answer
    return render(request, "frame/display.html", {"form": form})
