"""The winding's cross-section as the server draws it: rings from the core to the outer turn."""

from collections.abc import Sequence
from dataclasses import dataclass

Shell = tuple[float, float, float, float, float]
# Upper ends of the tints as shares: of the moisture that prints well (two steps), then on to the print limit.
HALF_CLEAR = 0.5
TINTS = 5
BOX = 100.0
RIM = 48.0


@dataclass(frozen=True)
class Ring:
    """One drawn ring: its outline in a box of 100 × 100, its tint (0 dry to 4 over the limit)."""

    outline: str
    tint: int
    inner_mm: float
    outer_mm: float
    low_pct: float
    likely_pct: float
    high_pct: float


@dataclass(frozen=True)
class Picture:
    rings: list[Ring]
    core: float
    hole: float
    legend: list[tuple[int, str]]


def tint(pct: float, clear_pct: float, hold_pct: float) -> int:
    """Which of five tints a moisture has; the last one is above the print limit."""
    steps = [HALF_CLEAR * clear_pct, clear_pct, (clear_pct + hold_pct) / 2, hold_pct]
    return sum(pct > step for step in steps)


def winding_picture(shells: Sequence[Shell], clear_pct: float, hold_pct: float) -> Picture:
    """shells: (inner mm, outer mm, low, likely and high moisture in %), from the core outwards."""
    if not shells:
        return Picture([], RIM / 2, RIM / 4, [])
    scale = RIM / shells[-1][1]
    rings = [
        Ring(
            _annulus(inner * scale, outer * scale),
            tint(likely, clear_pct, hold_pct),
            inner,
            outer,
            low,
            likely,
            high,
        )
        for inner, outer, low, likely, high in shells
    ]
    core = shells[0][0] * scale
    middle = (clear_pct + hold_pct) / 2
    words = [
        f"up to {HALF_CLEAR * clear_pct:.2g} %: dry",
        f"up to {clear_pct:.2g} %: prints well",
        f"up to {middle:.2g} %: strings may show",
        f"up to {hold_pct:.2g} %, the print limit",
        "above the limit (hatched)",
    ]
    return Picture(rings, core, core / 2, list(enumerate(words)))


def _annulus(inner: float, outer: float) -> str:
    """Two full circles about the middle of the box; what is between them is filled (even-odd)."""
    return " ".join(_circle(radius) for radius in (outer, inner))


def _circle(radius: float) -> str:
    left, across = BOX / 2 - radius, 2 * radius
    arc = f"a{radius:.2f} {radius:.2f} 0 1 0"
    return f"M{left:.2f} {BOX / 2:g}{arc} {across:.2f} 0{arc} {-across:.2f} 0Z"
