"""The winding of a spool: rings from the core to the outer turn, and its moisture in the order of printing."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from pages.charts.chart import COMPUTED, Chart, Frame, Limit, Series, draw_chart

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
class Picture:
    """Rings from the core outwards, the radii of the rim, of the full winding, core and hole, and the tints in words."""

    rings: list[Ring]
    rim: float
    full: float
    core: float
    hole: float
    legend: list[tuple[int, str]]


def draw_winding(
    shells: Sequence[Shell], full_radius_mm: float, clear_pct: float, hold_pct: float
) -> Picture:
    """The shells from the core outwards, tinted by where their likely moisture is among the limits.

    full_radius_mm: of the winding when there was the most on it. clear_pct: the material prints well up to this;
    hold_pct: the print limit.
    """
    ends = [HALF * clear_pct, clear_pct, HALF * (clear_pct + hold_pct), hold_pct]
    words = ["dry", "prints well", "strings may show", "the print limit"]
    legend = [f"up to {end:.2g} %: {word}" for end, word in zip(ends, words, strict=True)]
    legend.append("above the limit (hatched)")

    def tint(shell: Shell) -> int:
        return sum(shell[3] > end for end in ends)

    outer_mm = shells[-1][1]
    scale = RIM / max(outer_mm, full_radius_mm)
    rings = []
    for shade, group in groupby(shells, tint):
        run = list(group)
        outline = _circle(run[-1][1] * scale) + _circle(run[0][0] * scale)
        rings.append(Ring(outline, shade, shade == OVER_LIMIT))
    core = shells[0][0] * scale
    return Picture(rings, outer_mm * scale, RIM, core, HALF * core, list(enumerate(legend)))


def draw_depths(shells: Sequence[Shell], mass_g: float, clear_pct: float, hold_pct: float) -> Chart:
    """The moisture in the order of printing: of each shell where half of it is printed, from the outer turns on."""
    core_mm, outer_mm = shells[0][0], shells[-1][1]
    per_mm2 = mass_g / (outer_mm**2 - core_mm**2)
    inwards = [
        (per_mm2 * (outer_mm**2 - HALF * (inner**2 + outer**2)), low, likely, high)
        for inner, outer, low, likely, high in reversed(shells)
    ]
    frame = Frame(
        "Moisture from the outer turns to the core, %",
        0.0,
        mass_g,
        along="Printed before, g",
        along_unit="g",
        limits=[Limit(clear_pct, "prints well up to"), Limit(hold_pct, "print limit")],
        from_zero=True,
    )
    points, bands = [(g, likely) for g, _, likely, _ in inwards], [(low, high) for _, low, _, high in inwards]
    return draw_chart(frame, [Series("moisture", COMPUTED, points, bands)])


def _circle(radius: float) -> str:
    """A full circle about the middle of the box; a second, smaller one cuts a hole (fill rule even-odd)."""
    arc = f"a{radius:.2f} {radius:.2f} 0 1 0"
    return f"M{BOX / 2 - radius:.2f} {BOX / 2:g}{arc} {2 * radius:.2f} 0{arc} {-2 * radius:.2f} 0Z"
