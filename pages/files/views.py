"""Tables of the shop as files: out by links, in by a list of changes that is shown before it is stored."""

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

from maintenance.files.kinds import KINDS
from pages.frame.forms import post_data, show_refusal
from spools.files.columns import Use
from spools.files.formats import read_file as read_lines
from spools.files.kinds import FileKind
from spools.files.loading import NEW, SAME, FileRefused, Outcome, ShopChanged, load_file
from spools.files.spools import ELSEWHERE, Spools
from spools.models import Place
from spools.refusals import refusal

MOST_CHARACTERS = 3_000_000
MOST_SHOWN = 300


class FileForm(forms.Form):
    """The file as text, so that it stands in the page again, or as a file, which becomes that text."""

    text = forms.CharField(
        label=_("Rows, pasted from a spreadsheet"),
        required=False,
        max_length=MOST_CHARACTERS,
        widget=forms.Textarea(attrs={"rows": 10, "spellcheck": "false", "autocomplete": "off"}),
        help_text=_("With the line of column names above them."),
    )
    file = forms.FileField(label=_("Or a CSV or JSON file"), required=False)
    place = forms.ModelChoiceField(
        Place.objects.in_use().exclude(kind__in=ELSEWHERE),
        label=_("Place of lines that name none"),
        required=False,
        empty_label=_("none"),
    )

    def __init__(self, kind: str, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        if kind != Spools.name:
            del self.fields["place"]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("file") is not None:
            try:
                data["text"] = data["file"].read(MOST_CHARACTERS + 1).decode("utf-8-sig")
            except UnicodeDecodeError:
                self.add_error(
                    "file",
                    refusal(
                        "not_text", gettext("This is not a text file. Export it as CSV or JSON in UTF-8.")
                    ),
                )
            if len(data.get("text", "")) > MOST_CHARACTERS:
                self.add_error("file", refusal("file_too_large", gettext("The file is too large. Split it.")))
        elif not data.get("text", "").strip() and not self.errors:
            self.add_error("text", refusal("rows_missing", gettext("Paste the rows, or choose their file.")))
        return data


def files(request: HttpRequest) -> HttpResponse:
    return render(request, "files/page.html", {"kinds": [describe_kind(kind) for kind in KINDS.values()]})


def describe_kind(kind: type[FileKind]) -> dict[str, Any]:
    """A kind with its addresses and its columns, for the page."""
    columns = [
        (column, gettext(column.name), gettext(column.meaning), str(USES.get(column.use, "")))
        for column in kind.columns
    ]
    return {
        "name": kind.name,
        "title": gettext(kind.title),
        "about": gettext(kind.about),
        "csv": reverse(f"v1:files{kind.name}-csv"),
        "json": reverse(f"v1:files{kind.name}-json"),
        "read": f"file-{kind.name}",
        "columns": columns,
    }


USES = {
    Use.KEY: _("names the row"),
    Use.NEEDED: _("needed in a new row"),
    Use.READ: _("only read"),
    Use.WRITTEN: _("only written"),
}


def read_file(request: HttpRequest, kind: str) -> HttpResponse:
    """The button "store" stores what the page has shown before; all else only looks the file through."""
    form = FileForm(kind, post_data(request), request.FILES or None)
    context: dict[str, Any] = {"kind": describe_kind(KINDS[kind])}
    if form.is_valid():
        text, place = form.cleaned_data["text"], form.cleaned_data.get("place")
        expected = request.POST.get("store", "") if form.cleaned_data["file"] is None else ""
        made = KINDS[kind](by=request.user, place=place)
        try:
            lines = read_lines(made, BytesIO(text.encode("utf-8", "surrogatepass")))
            outcome = load_file(made, lines, preview=not expected, expected=expected)
        except FileRefused as error:
            context["faults"] = error.faults
        except ShopChanged as error:
            messages.warning(request, error.messages[0])
            context |= _describe_outcome(error.outcome)
        except ValidationError as error:
            show_refusal(form, error)
        else:
            if outcome.is_stored:
                return _leave(request, kind, outcome)
            context |= _describe_outcome(outcome)
        if not form.errors:
            # What was read of a file stands in the page as text, with which it is stored.
            form = FileForm(kind, initial={"text": text, "place": place})
    return render(request, "files/read.html", context | {"form": form})


def _describe_outcome(outcome: Outcome) -> dict[str, Any]:
    changes = [change for change in outcome.changes if change.result != SAME]
    return {
        "outcome": outcome,
        "changes": changes[:MOST_SHOWN],
        "more": len(changes[MOST_SHOWN:]),
        "count": len(changes),
    }


def _leave(request: HttpRequest, kind: str, outcome: Outcome) -> HttpResponse:
    """To the page of files; from new spools to the labels of those without one."""
    count = len(outcome.changes) - outcome.counts[SAME]
    text = ngettext("{count} row is stored.", "{count} rows are stored.", count)
    messages.success(request, text.format(count=count))
    if kind != Spools.name:
        return redirect("files")
    codes = [change.row.code for change in outcome.changes if change.result == NEW and not change.has_code]
    return redirect(f"{reverse('labels')}?spools={','.join(codes)}" if codes else "spools")
