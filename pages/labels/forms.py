"""Forms of labels: which paper, where to begin on it."""

from typing import Any

from django import forms
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from pages.frame.forms import NumberField
from pages.labels.papers import A4, A4_SHEETS, LETTER, LETTER_SHEETS, ROLLS, Paper, read_paper, require_paper
from spools.refusals import refusal

OWN = "own"
PAGES = {"a4": A4, "letter": LETTER}


def _length(label: Any) -> NumberField:
    return NumberField(label=label, required=False, widget=forms.TextInput(attrs={"inputmode": "decimal"}))


def describe(paper: Paper) -> str:
    """A paper in words of its dimensions."""
    size = f"{paper.width:g} × {paper.height:g} mm"
    return size if paper.is_roll else f"{paper.columns} × {paper.rows}, {size}"


def list_choices() -> list[Any]:
    """The usual papers by what they are, and an own one."""
    groups = [(_("Rolls"), ROLLS), (_("A4 sheets"), A4_SHEETS), (_("Letter sheets"), LETTER_SHEETS)]
    usual = [(name, [(paper.key, describe(paper)) for paper in papers]) for name, papers in groups]
    return [*usual, (OWN, _("another one, with the dimensions below"))]


class PaperForm(forms.Form):
    """The paper, by its key or by its dimensions, and the first label of the first sheet that is free."""

    paper = forms.ChoiceField(label=_("Paper"))
    start = forms.IntegerField(
        label=_("Begin at label"),
        required=False,
        min_value=1,
        max_value=900,
        initial=1,
        help_text=_("Of a sheet that is used in part: counted from the upper left, row by row."),
    )
    page = forms.ChoiceField(
        label=_("Page"),
        required=False,
        choices=[("", _("a roll of single labels")), ("a4", "A4"), ("letter", "Letter")],
    )
    columns = forms.IntegerField(label=_("Columns"), required=False)
    rows = forms.IntegerField(label=_("Rows"), required=False)
    width = _length(_("Width of a label, mm"))
    height = _length(_("Height of a label, mm"))
    left = _length(_("Left margin, mm"))
    top = _length(_("Top margin, mm"))
    gap_x = _length(_("Gap between columns, mm"))
    gap_y = _length(_("Gap between rows, mm"))

    DIMENSIONS = ["page", "columns", "rows", "width", "height", "left", "top", "gap_x", "gap_y"]

    def __init__(self, data: Any, *, paper: Paper) -> None:
        """paper: the one that was used last."""
        super().__init__(data, initial={"paper": paper.key})
        choices = list_choices()
        if paper.key not in [key for _name, group in choices[:-1] for key, _words in group]:
            choices.insert(0, (paper.key, describe(paper)))
        self.fields["paper"].choices = choices  # type: ignore[attr-defined]

    def basics(self) -> list[forms.BoundField]:
        return [self["paper"], self["start"]]

    def dimensions(self) -> list[forms.BoundField]:
        return [self[name] for name in self.DIMENSIONS]

    def dimensions_open(self) -> bool:
        return any(field.errors for field in self.dimensions()) or self.data.get("paper") == OWN

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("paper") == OWN:
            data["paper"] = self._build_own(data)
        elif "paper" in data:
            data["paper"] = read_paper(data["paper"])
        return data

    def _build_own(self, data: dict[str, Any]) -> Paper | None:
        page = PAGES.get(data.get("page") or "")
        needed = ["width", "height", *(["columns", "rows"] if page else [])]
        missing = [name for name in needed if name not in self.errors and data.get(name) is None]
        for name in missing:
            self.add_error(name, refusal("required", gettext("An own paper needs this.")))
        if self.errors:
            return None
        width, height = data["width"], data["height"]
        spaces = {name: round(data.get(name) or 0.0, 2) for name in ("left", "top", "gap_x", "gap_y")}
        if page is None:
            paper = Paper(width, height, 1, 1, width, height)
        else:
            paper = Paper(*page, data["columns"], data["rows"], width, height, **spaces)
        try:
            return require_paper(paper)
        except forms.ValidationError as error:
            for name, errors in error.error_dict.items():
                self.add_error(name if name in self.fields else "width", errors)
            return None
