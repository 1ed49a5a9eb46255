"""Papers for labels: sheets with a grid, and rolls, which are sheets of one label. All lengths in mm."""

import re
from dataclasses import astuple, dataclass

from django.utils.translation import gettext as _

from spools.limits import Limits
from spools.refusals import refusal

PAGE_MM = Limits(20, 450, "mm")
LABEL_MM = Limits(14, 300, "mm")
SPACE_MM = Limits(0, 100, "mm")
GRID = Limits(1, 30, "")
A4, LETTER = (210.0, 297.0), (215.9, 279.4)
# Printers draw in dots: a grid that is that much too large still fits.
ROUNDING_MM = 0.6
_LENGTH = r"\d{1,3}(?:\.\d{1,2})?"
_KEY = re.compile(
    rf"(?:({_LENGTH})x({_LENGTH})-(\d\d?)x(\d\d?)-)?({_LENGTH})x({_LENGTH})"
    rf"(?:-({_LENGTH})x({_LENGTH})-({_LENGTH})x({_LENGTH}))?"
)


@dataclass(frozen=True)
class Paper:
    """A page with columns and rows of labels; left, top: margins; gap: between labels, across and down."""

    page_width: float
    page_height: float
    columns: int
    rows: int
    width: float
    height: float
    left: float = 0.0
    top: float = 0.0
    gap_x: float = 0.0
    gap_y: float = 0.0

    @property
    def key(self) -> str:
        """The paper as part of an address: 62x29, or 210x297-3x8-70x36-0x4.5-0x0."""
        label = f"{self.width:g}x{self.height:g}"
        if self.is_roll:
            return label
        page = f"{self.page_width:g}x{self.page_height:g}-{self.columns}x{self.rows}"
        return f"{page}-{label}-{self.left:g}x{self.top:g}-{self.gap_x:g}x{self.gap_y:g}"

    @property
    def is_roll(self) -> bool:
        return self.columns == self.rows == 1 and (self.page_width, self.page_height) == (
            self.width,
            self.height,
        )

    @property
    def count(self) -> int:
        """The labels on a page."""
        return self.columns * self.rows


def roll(width: float, height: float) -> Paper:
    return Paper(width, height, 1, 1, width, height)


def sheet(
    page: tuple[float, float],
    columns: int,
    rows: int,
    width: float,
    height: float,
    top: float,
    gap_x: float = 0.0,
) -> Paper:
    """A grid in the middle of a page: the space beside it is the same on both sides."""
    left = round((page[0] - columns * width - (columns - 1) * gap_x) / 2, 2)
    return Paper(*page, columns, rows, width, height, max(left, 0.0), top, gap_x)


ROLLS = [roll(62, 29), roll(100, 62), roll(50, 30), roll(57, 32), roll(89, 36), roll(101.6, 50.8)]
# Grids that paper makers share, by their dimensions. Common practice, no source.
A4_SHEETS = [
    sheet(A4, 3, 7, 63.5, 38.1, 15.15, 2.5),
    sheet(A4, 3, 8, 70, 36, 4.5),
    sheet(A4, 3, 8, 64, 33.9, 12.9, 2.5),
    sheet(A4, 2, 7, 99.1, 38.1, 15.15, 2.5),
    sheet(A4, 2, 4, 99.1, 67.7, 13.1, 2.5),
    sheet(A4, 4, 10, 48.5, 25.4, 21.5),
]
LETTER_SHEETS = [
    sheet(LETTER, 3, 10, 66.68, 25.4, 12.7, 3.18),
    sheet(LETTER, 2, 7, 101.6, 33.87, 21.15, 4.06),
    sheet(LETTER, 2, 5, 101.6, 50.8, 12.7, 4.06),
    sheet(LETTER, 2, 3, 101.6, 84.67, 12.7, 4.06),
]
USUAL = ROLLS[0]


def read_paper(key: str) -> Paper | None:
    """The paper of a key; None: none is written so, or it cannot be."""
    match = _KEY.fullmatch(key)
    if match is None or (match[1] is None) != (match[7] is None):
        return None
    if match[1] is None:
        paper = roll(float(match[5]), float(match[6]))
    else:
        numbers = [float(text) for text in match.groups()]
        paper = Paper(numbers[0], numbers[1], int(numbers[2]), int(numbers[3]), *numbers[4:])
    return paper if not list_faults(paper) else None


def list_faults(paper: Paper) -> dict[str, str]:
    """What is impossible with a paper, in words, by the name of the dimension; empty: nothing."""
    limits = [PAGE_MM, PAGE_MM, GRID, GRID, LABEL_MM, LABEL_MM, SPACE_MM, SPACE_MM, SPACE_MM, SPACE_MM]
    names = Paper.__dataclass_fields__
    faults = {
        name: limit.refuse(f"{value:g}")
        for name, value, limit in zip(names, astuple(paper), limits, strict=True)
        if not limit.low <= value <= limit.high
    }
    if faults:
        return faults
    for name, page, start, count, size, gap in (
        ("columns", paper.page_width, paper.left, paper.columns, paper.width, paper.gap_x),
        ("rows", paper.page_height, paper.top, paper.rows, paper.height, paper.gap_y),
    ):
        needed = start + count * size + (count - 1) * gap
        if needed > page + ROUNDING_MM:
            faults[name] = _(
                "These labels need {needed} mm, and the page has {page} mm. Give fewer, smaller ones or less margin."
            ).format(needed=f"{needed:g}", page=f"{page:g}")
    return faults


def require_paper(paper: Paper) -> Paper:
    """Returns the paper. Refused, on its dimensions: one that cannot be."""
    for name, fault in list_faults(paper).items():
        raise refusal("impossible_paper", fault, name)
    return paper


def write_styles(paper: Paper) -> str:
    """The style sheet that prints labels on a paper: a page of it, its grid, and sizes that fit a label.

    The server writes it, since the policy of the pages forbids styles within them.
    """
    pad = 1.5 if paper.height < 45 else 3.0
    inside = paper.height - 2 * pad
    # The code takes the height, at most two fifths of the width.
    side = min(inside, 0.42 * paper.width)
    text_width = paper.width - side - 3 * pad
    text_pt = min(11.0, max(5.0, 3.0 + 0.121 * paper.height))
    # Seven characters of a monospaced font of 0.64 em.
    code_pt = min(26.0, text_width / (7 * 0.64 * 0.353), 0.35 * inside / 0.353)
    lines = int((inside - code_pt * 0.39) / (text_pt * 1.15 * 0.353))
    # A hair less than the paper, so that rounding starts no second page.
    hair = 0.5
    page, margins = f"{paper.page_width:g}mm {paper.page_height:g}mm", f"{paper.top:g}mm 0 0 {paper.left:g}mm"
    return f"""@page {{ size: {page}; margin: 0; }}
.paper {{
  width: {paper.page_width - hair - paper.left:g}mm; height: {paper.page_height - hair - paper.top:g}mm; padding: {margins};
  grid-template-columns: repeat({paper.columns}, {paper.width:g}mm); grid-auto-rows: {paper.height:g}mm;
  gap: {paper.gap_y:g}mm {paper.gap_x:g}mm;
}}
.label {{
  grid-template-columns: {side:.1f}mm minmax(0, 1fr); gap: {pad:g}mm; padding: {pad:g}mm; font-size: {text_pt:.1f}pt;
}}
.label .text {{ max-height: {inside:.1f}mm; }}
.label .code {{ font-size: {code_pt:.1f}pt; }}
.label .text > :nth-child(n+{max(lines, 2) + 1}) {{ display: none; }}
"""
