"""Many labels one after the other: a place, then the spools that come to it."""

from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from pages.frame.forms import WhenField, apply, post_data
from pages.spools.lookup import find_spool
from spools import codes
from spools.inventory.moves import move_spool
from spools.models import Place, Spool
from spools.refusals import refusal

# As many as one person carries in a few minutes; each is a move with its consequences.
MOST_LINES = 200


@dataclass(frozen=True)
class Line:
    """A spool and where it comes to, with the number of its line."""

    number: int
    spool: Spool
    place: Place


class BatchForm(forms.Form):
    """Codes of places and spools; a spool comes to the place above it."""

    place = forms.ModelChoiceField(
        Place.objects.in_use().exclude(kind=Place.Kind.PRINTER),
        required=False,
        label=gettext_lazy("To"),
        empty_label=gettext_lazy("the place whose label is scanned first"),
    )
    codes = forms.CharField(
        label=gettext_lazy("Codes, each on its own line"),
        max_length=MOST_LINES * 100,
        widget=forms.Textarea(
            attrs={"rows": 6, "autocapitalize": "characters", "autocomplete": "off", "spellcheck": "false"}
        ),
        help_text=gettext_lazy(
            "The code of a place, below it those of the spools that come to it; then the next place."
        ),
    )
    when = WhenField()

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if "codes" in data:
            data["lines"] = self._read(data["codes"].splitlines(), data.get("place"))
        return data

    def _read(self, texts: list[str], place: Place | None) -> list[Line]:
        lines: dict[str, Line] = {}
        for number, text in enumerate(texts[: MOST_LINES + 1], 1):
            if not text.strip():
                continue
            try:
                if (labelled := codes.read_short(text)) is not None:
                    place = self._find_place(*labelled)
                    continue
                spool = find_spool(text)
                if place is None:
                    raise refusal("no_place", _("Choose a place, or scan its label first."))
                lines[spool.code] = Line(number, spool, place)
            except ValidationError as error:
                self.add_error("codes", at_line(number, error))
        if len(texts) > MOST_LINES:
            most = _("Send at most {count} lines at once.").format(count=MOST_LINES)
            self.add_error("codes", refusal("too_many", most))
        if not lines and not self.errors:
            self.add_error("codes", refusal("no_spool", _("Scan at least one spool.")))
        return list(lines.values())

    def _find_place(self, kind: str, pk: int) -> Place:
        place = self.fields["place"].queryset.filter(pk=pk).first() if kind == codes.PLACE else None  # type: ignore[attr-defined]
        if place is None:
            raise refusal("not_a_place", _("This is the label of no place in use."))
        return place


def at_line(number: int, error: ValidationError) -> ValidationError:
    """The refusal of one line, which names the line."""
    sentence = _("Line {number}: {reason}").format(number=number, reason=" ".join(error.messages))
    return ValidationError(sentence, code=getattr(error, "code", None) or "line")


@transaction.atomic
def _move_all(lines: list[Line], *, at: Any, by: Any) -> None:
    """All of them or none. Refused: with the line of the first spool that cannot be moved."""
    for line in lines:
        try:
            move_spool(line.spool, line.place, at=at, by=by)
        except ValidationError as error:
            raise at_line(line.number, error) from None


def spools_move(request: HttpRequest) -> HttpResponse:
    form = BatchForm(post_data(request), initial={"place": request.GET.get("place")})
    if apply(form, lambda data: _move_all(data["lines"], at=data["when"], by=request.user)):
        lines = form.cleaned_data["lines"]
        places = {line.place.name for line in lines}
        moved = ngettext("{count} spool is in {places}.", "{count} spools are in {places}.", len(lines))
        messages.success(request, moved.format(count=len(lines), places=", ".join(sorted(places))))
        return redirect("spools-move")
    return render(request, "spools/scan/move.html", {"form": form})
