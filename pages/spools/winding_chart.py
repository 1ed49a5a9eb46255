"""The winding of a spool: rings from the core to the outer turn, and its moisture in the order of printing."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from math import cos, radians, sin, sqrt

from django.utils.translation import gettext as _

from pages.charts.chart import COMPUTED, Chart, Frame, Limit, Series, draw_chart
from spools.wording import format_number

# Inner and outer radius in mm; low, likely and high moisture in %.
Shell = tuple[float, float, float, float, float]
HALF = 0.5
BOX, RIM = 100.0, 48.0
OVER_LIMIT = 4


@dataclass(frozen=True)
class Ring:
    """Neighbouring shells of one tint: their outline, a path in a box of 100 × 100."""

    outline: str
    tint: int
    hatched: bool


@dataclass(frozen=True)
class Scale:
    """The tints side by side in equal widths, with the limits at their borders.

    steps: (x, tint); limits: (x, text, whether it stands above), x in %; at: where the likely moisture lies.
    """

    steps: list[tuple[int, int]]
    limits: list[tuple[int, str, bool]]
    at: float


@dataclass(frozen=True)
class Picture:
    """Rings from the core outwards, the radii of the rim, of the full winding, core and hole.

    leaders: (x and y of a point of the picture, y of its label, key of the label).
    """

    rings: list[Ring]
    rim: float
    full: float
    core: float
    hole: float
    leaders: list[tuple[float, float, float, str]]


# Heights of the labels, in the box, and the angles of the points that they name, anticlockwise from the right.
LABELS = {"full": (12.0, 52.0), "outside": (38.0, 14.0), "inside": (74.0, -30.0)}


def draw_winding(
    shells: Sequence[Shell], full_radius_mm: float, clear_pct: float, hold_pct: float
) -> Picture:
    """The shells from the core outwards, tinted by where their likely moisture is among the limits.

    full_radius_mm: of the winding when there was the most on it. clear_pct: the material prints well up to this;
    hold_pct: the print limit.
    """
    ends = _list_ends(clear_pct, hold_pct)

    def tint(shell: Shell) -> int:
        return sum(shell[3] > end for end in ends)

    outer_mm = shells[-1][1]
    scale = RIM / max(outer_mm, full_radius_mm)
    rings = []
    for shade, group in groupby(shells, tint):
        run = list(group)
        outline = _circle(run[-1][1] * scale) + _circle(run[0][0] * scale)
        rings.append(Ring(outline, shade, shade == OVER_LIMIT))
    core, rim = shells[0][0] * scale, outer_mm * scale
    radii = {"full": RIM, "outside": rim, "inside": core}
    leaders = [(*_point_at(radii[key], angle), y, key) for key, (y, angle) in LABELS.items()]
    return Picture(rings, rim, RIM, core, HALF * core, leaders)


@dataclass(frozen=True)
class ReelLevel:
    """How full a reel is, for the small picture in lists: templates/spools/_reel_level.html."""

    share_pct: int
    radius: float


# Radii of the core and of the full winding in that picture.
LEVEL_CORE, LEVEL_FULL = 7.0, 20.0


def draw_reel_level(mass_g: float, full_g: float) -> ReelLevel:
    """The winding on a reel whose rim has a radius of LEVEL_FULL: its area is as the mass.

    full_g: when there was the most on it.
    """
    share = min(1.0, max(0.0, mass_g) / max(full_g, mass_g, 1.0))
    return ReelLevel(round(100 * share), sqrt(LEVEL_CORE**2 + share * (LEVEL_FULL**2 - LEVEL_CORE**2)))


def draw_scale(likely_pct: float, clear_pct: float, hold_pct: float) -> Scale:
    """The tints of draw_winding as a scale. likely_pct: of the turns that are printed next."""
    ends = [0.0, *_list_ends(clear_pct, hold_pct), 2 * hold_pct]
    width = 100 // (len(ends) - 1)
    tint = min(sum(likely_pct > end for end in ends[1:]), len(ends) - 2)
    part = min(1.0, (likely_pct - ends[tint]) / (ends[tint + 1] - ends[tint]))
    limits = [
        (2 * width, _("prints well up to {limit} %").format(limit=format_number(clear_pct)), True),
        (4 * width, _("print limit {limit} %").format(limit=format_number(hold_pct)), False),
    ]
    return Scale([(width * n, n) for n in range(len(ends) - 1)], limits, width * (tint + part))


def _list_ends(clear_pct: float, hold_pct: float) -> list[float]:
    """The moisture at which each tint but the last ends."""
    return [HALF * clear_pct, clear_pct, HALF * (clear_pct + hold_pct), hold_pct]


def _point_at(radius: float, degrees: float) -> tuple[float, float]:
    turned = radians(degrees)
    return BOX / 2 + radius * cos(turned), BOX / 2 - radius * sin(turned)


def draw_depths(shells: Sequence[Shell], mass_g: float, clear_pct: float, hold_pct: float) -> Chart:
    """The moisture in the order of printing: of each shell where half of it is printed, from the outer turns on."""
    core_mm, outer_mm = shells[0][0], shells[-1][1]
    per_mm2 = mass_g / (outer_mm**2 - core_mm**2)
    inwards = [
        (per_mm2 * (outer_mm**2 - HALF * (inner**2 + outer**2)), low, likely, high)
        for inner, outer, low, likely, high in reversed(shells)
    ]
    frame = Frame(
        _("Moisture from the outer turns to the core, %"),
        0.0,
        mass_g,
        along=_("Printed before, g"),
        along_unit="g",
        limits=[Limit(clear_pct, _("prints well up to")), Limit(hold_pct, _("print limit"))],
        from_zero=True,
    )
    points, bands = (
        [(g, likely) for g, low, likely, high in inwards],
        [(low, high) for g, low, likely, high in inwards],
    )
    return draw_chart(frame, [Series(_("moisture"), COMPUTED, points, bands)])


def _circle(radius: float) -> str:
    """A full circle about the middle of the box; a second, smaller one cuts a hole (fill rule even-odd)."""
    arc = f"a{radius:.2f} {radius:.2f} 0 1 0"
    return f"M{BOX / 2 - radius:.2f} {BOX / 2:g}{arc} {2 * radius:.2f} 0{arc} {-2 * radius:.2f} 0Z"
