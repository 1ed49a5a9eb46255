"""How many parts of a kind last how long, as two lines: as stated, and as expected here."""

from dataclasses import dataclass

from maintenance.wear.learning import ExpectedLives

WIDTH, HEIGHT = 400, 190
LEFT, RIGHT, TOP, BOTTOM = 40, 24, 10, 26
SHARES_PCT = [0, 25, 50, 75, 100]
STEPS = 60
# Beyond the age at which so few last, the picture ends.
FEW = 0.97


@dataclass(frozen=True)
class LifePicture:
    """Lines as points of polylines, ticks as (position, number), rows of the table; x is the age."""

    stated: str
    expected: str
    y_ticks: list[tuple[float, int]]
    x_ticks: list[tuple[float, float]]
    rows: list[tuple[float, float, float]]
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = WIDTH - RIGHT


def draw_lives(stated: ExpectedLives, expected: ExpectedLives) -> LifePicture:
    """Rows: age, and which share in % lasts longer, as stated and as expected."""
    until = max(stated.age_when(FEW), expected.age_when(FEW))

    def points(lives: ExpectedLives) -> str:
        ages = (until * step / STEPS for step in range(STEPS + 1))
        return " ".join(f"{_x(age, until):.1f},{_y(_lasting_pct(lives, age)):.1f}" for age in ages)

    ages = [until * n / 4 for n in range(5)]
    return LifePicture(
        stated=points(stated),
        expected=points(expected),
        y_ticks=[(_y(share), share) for share in SHARES_PCT],
        x_ticks=[(_x(age, until), age) for age in ages],
        rows=[(age, _lasting_pct(stated, age), _lasting_pct(expected, age)) for age in ages],
    )


def _lasting_pct(lives: ExpectedLives, age: float) -> float:
    return 100 * (1 - lives.used_up_by(age))


def _x(age: float, until: float) -> float:
    return LEFT + (WIDTH - LEFT - RIGHT) * age / until


def _y(share_pct: float) -> float:
    return TOP + (HEIGHT - TOP - BOTTOM) * (1 - share_pct / 100)
