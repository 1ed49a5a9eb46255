"""The winding's cross-section as the server draws it: rings from the core to the outer turn."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

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
    """Rings from the core outwards, the radii of core and hole, and what each tint means."""

    rings: list[Ring]
    core: float
    hole: float
    legend: list[tuple[int, str]]


def draw_winding(shells: Sequence[Shell], clear_pct: float, hold_pct: float) -> Picture:
    """The shells from the core outwards, tinted by where their likely moisture is among the limits.

    clear_pct: the material prints well up to this; hold_pct: the print limit.
    """
    ends = [HALF * clear_pct, clear_pct, HALF * (clear_pct + hold_pct), hold_pct]
    words = ["dry", "prints well", "strings may show", "the print limit"]
    legend = [f"up to {end:.2g} %: {word}" for end, word in zip(ends, words, strict=True)]
    legend.append("above the limit (hatched)")

    def tint(shell: Shell) -> int:
        return sum(shell[3] > end for end in ends)

    scale = RIM / shells[-1][1]
    rings = []
    for shade, group in groupby(shells, tint):
        run = list(group)
        outline = _circle(run[-1][1] * scale) + _circle(run[0][0] * scale)
        rings.append(Ring(outline, shade, shade == OVER_LIMIT))
    core = shells[0][0] * scale
    return Picture(rings, core, HALF * core, list(enumerate(legend)))


def _circle(radius: float) -> str:
    """A full circle about the middle of the box; a second, smaller one cuts a hole (fill rule even-odd)."""
    arc = f"a{radius:.2f} {radius:.2f} 0 1 0"
    return f"M{BOX / 2 - radius:.2f} {BOX / 2:g}{arc} {2 * radius:.2f} 0{arc} {-2 * radius:.2f} 0Z"
