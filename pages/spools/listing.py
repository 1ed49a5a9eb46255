"""A list of spools from a spreadsheet, pasted or as a file: looked through, then received as a whole."""

from io import BytesIO
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext, ngettext
from django.utils.translation import gettext_lazy as _

from pages.frame.forms import post_data, show_refusal
from spools.inventory.listed import COLUMNS, Listed, ListRefused, receive_list
from spools.models import Place
from spools.refusals import refusal

MOST_CHARACTERS = 500_000


class ListForm(forms.Form):
    """The list as text, so that it stands in the page again, or as a file, which becomes that text."""

    text = forms.CharField(
        label=_("List, pasted from the spreadsheet"),
        required=False,
        max_length=MOST_CHARACTERS,
        widget=forms.Textarea(attrs={"rows": 10, "spellcheck": "false", "autocomplete": "off"}),
        help_text=_("With the line of column names above it."),
    )
    file = forms.FileField(label=_("Or a CSV file"), required=False)
    place = forms.ModelChoiceField(
        Place.objects.in_use().exclude(kind__in=[Place.Kind.DRYER, Place.Kind.PRINTER]),
        label=_("Place of lines that name none"),
        required=False,
        empty_label=_("none"),
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("file") is not None:
            try:
                data["text"] = data["file"].read(MOST_CHARACTERS).decode("utf-8-sig")
            except UnicodeDecodeError:
                self.add_error(
                    "file",
                    refusal("not_text", gettext("This is not a text file. Export it as CSV in UTF-8.")),
                )
        elif not data.get("text", "").strip() and not self.errors:
            self.add_error("text", refusal("list_missing", gettext("Paste the list, or choose its file.")))
        return data


def spools_import(request: HttpRequest) -> HttpResponse:
    """The button "store" receives what the page has shown before; all else only looks the list through."""
    form = ListForm(post_data(request), request.FILES or None)
    context: dict[str, Any] = {
        "columns": [(gettext(name), name, gettext(text)) for name, text in COLUMNS.items()]
    }
    if form.is_valid():
        text, place = form.cleaned_data["text"], form.cleaned_data["place"]
        stores = "store" in request.POST and form.cleaned_data["file"] is None
        try:
            listed = receive_list(BytesIO(text.encode()), place, by=request.user, preview=not stores)
        except ListRefused as error:
            context["faults"] = [
                (line, gettext(column) if column else "", said) for line, column, said in error.faults
            ]
        except ValidationError as error:
            show_refusal(form, error)
        else:
            if stores:
                return _show_labels(request, listed)
            context |= {"listed": listed, "new_feedstocks": _count_new(listed)}
        if not form.errors:
            # What was read of a file stands in the page as text, with which it is stored.
            form = ListForm(initial={"text": text, "place": place})
    return render(request, "spools/import.html", context | {"form": form})


def _count_new(listed: list[Listed]) -> int:
    return sum(row.is_new_feedstock for row in listed)


def _show_labels(request: HttpRequest, listed: list[Listed]) -> HttpResponse:
    text = ngettext(
        "{count} spool is received. Print the label if it has none.",
        "{count} spools are received. Print labels for those that have none.",
        len(listed),
    )
    messages.success(request, text.format(count=len(listed)))
    # Those whose code was given have a label.
    unlabelled = [row.spool.code for row in listed if not row.has_code]
    return redirect(f"{reverse('labels')}?spools={','.join(unlabelled)}" if unlabelled else "spools")
