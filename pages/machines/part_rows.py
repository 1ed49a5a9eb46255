"""The parts of machines as rows of a page: the part in each role, and the life that is left in it.

A page of one machine or part computes lives from the facts, with their reasons. A list of machines reads them on the
board.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from django.utils.translation import gettext as _

from maintenance.board.upkeep import PartUpkeep
from maintenance.models import Fitting, PartKind
from maintenance.parts.life import PartWear
from maintenance.parts.wear_entries import scale_life
from maintenance.parts.wording import format_far_day
from maintenance.parts.words import name_kind, name_part
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, LIKELY, POSSIBLE
from pages.charts.axes import Axis, round_ticks
from pages.templatetags.spoken import roughly
from spools.statements import Statement
from spools.wording import format_chance, format_day, format_number

# Without these nothing prints for long, so their places are shown empty, too.
ALWAYS_SHOWN = (PartKind.Role.NOZZLE, PartKind.Role.GEARS, PartKind.Role.LINER)
# Of a bar of life.
MOST_TICKS = 4


@dataclass(frozen=True)
class Bar:
    """A life on a scale, as positions in % of its width: what is used, and where eight of ten such parts end.

    They are written as text, since a page has many of them. ticks: (position, number, anchor of its text).
    """

    used: str
    first_end: str
    end_width: str
    median: str
    ticks: list[tuple[str, str, str]]


@dataclass(frozen=True)
class LifeLeft:
    """The life that is left in a part, in words. low, median, high: 10 %, 50 % and 90 %, in ``unit``.

    due: in one line. used: so far, with its range where it is assumed; assumed: that it is, in two words, or "".
    """

    state: str
    unit: str
    due: str
    used: str
    low: str
    median: str
    high: str
    used_up: str
    used_up_at: str
    early_at: str
    bar: Bar
    assumed: str = ""
    why: Sequence[Statement] = ()


@dataclass(frozen=True)
class PartRow:
    """A role of a machine, and the part in it with its ids, if there is one. life: None until it is computed."""

    key: str
    role: str
    part: int | None = None
    name: str = ""
    kind: str = ""
    fitting: int | None = None
    since: str = ""
    in_stock: int = 0
    life: LifeLeft | None = None

    @property
    def is_sound(self) -> bool:
        """Whether nothing is to be done about it."""
        return self.part is not None and (self.life is None or self.life.state == CLEAR)


def build_row(wear: PartWear) -> PartRow:
    """A part with the life that is left of it and the reasons, from the facts."""
    left = wear.life_left()
    life = _describe_life(
        left.unit,
        left.age,
        (left.low_left, left.median_left, left.high_left),
        left.probability_used_up,
        (left.used_up_at, left.early_at),
    )
    if wear.prior_use is not None:
        used, assumed = _describe_prior_use(wear, left.unit, left.median_left) or (life.used, "")
        life = replace(life, used=used, assumed=assumed)
    fitting = wear.fitting
    return PartRow(
        wear.kind.role,
        wear.kind.get_role_display(),
        wear.part.pk,
        name_part(wear.part),
        name_kind(wear.kind),
        None if fitting is None else fitting.pk,
        "" if fitting is None else format_day(fitting.start),
        wear.in_stock,
        replace(life, why=left.why),
    )


def build_board_row(fitting: Fitting, upkeep: Mapping[int, PartUpkeep], stock: Mapping[str, int]) -> PartRow:
    """A fitted part with the life that is left of it by the board. upkeep: by part id; stock: by kind's name."""
    part, on_board = fitting.part, upkeep.get(fitting.part_id)
    life = None
    if on_board is not None:
        times = on_board.used_up_at, on_board.early_at
        life = _describe_life(on_board.unit, on_board.age, on_board.left, on_board.used_up, times)
    since, in_stock = format_day(fitting.start), stock.get(part.kind.name, 0)
    name, kind = name_part(part), name_kind(part.kind)
    return PartRow(
        fitting.role, fitting.get_role_display(), part.pk, name, kind, fitting.pk, since, in_stock, life
    )


def order_by_role(fitted: Mapping[str, PartRow], always: Iterable[str] = ALWAYS_SHOWN) -> list[PartRow]:
    """The rows in the order of roles. fitted: by role; always: the roles that are shown empty, too."""
    return [
        fitted.get(role) or PartRow(role, str(label))
        for role, label in PartKind.Role.choices
        if role in fitted or role in always
    ]


def _describe_life(
    unit: str,
    age: float,
    left: tuple[float, float, float],
    used_up: float,
    times: tuple[datetime | None, datetime | None],
) -> LifeLeft:
    used_up_at, early_at = ("" if at is None else format_far_day(at) for at in times)
    factor, words = scale_life(unit, left[1])
    state = HOLD if used_up > LIKELY else CAUTION if used_up > POSSIBLE else CLEAR
    low, median, high = (roughly(factor * amount) for amount in left)
    if state == HOLD:
        due = _("Likely used up")
    elif state == CAUTION:
        due = _("Wearing out: about {amount} {unit} left").format(amount=median, unit=words)
    else:
        due = _("About {amount} {unit} left").format(amount=median, unit=words)
    return LifeLeft(
        state=state,
        unit=words,
        due=due,
        used=_("{amount} {unit}").format(amount=roughly(factor * age), unit=words),
        low=low,
        median=median,
        high=high,
        used_up=format_chance(100 * used_up),
        used_up_at=used_up_at,
        early_at=early_at,
        bar=draw_life_bar(factor * age, [factor * amount for amount in left]),
    )


def _describe_prior_use(wear: PartWear, unit: str, median_left: float) -> tuple[str, str] | None:
    """The use of a part that was used before it came into the records, and that it is assumed; None if it is known."""
    in_hand, _unit = wear.in_hand
    factor, words = scale_life(unit, median_left)
    entered = wear.entered
    if entered is None:
        here = roughly(factor * in_hand * wear.age)
        used = _("{amount} {unit} here, and before that nobody knows how much").format(
            amount=here, unit=words
        )
        return used, _("age unknown")
    if entered.error == 0:
        return None
    ages = [wear.age, max(0.0, wear.age - entered.error), wear.age + entered.error]
    likely, low, high = (roughly(factor * in_hand * age) for age in ages)
    used = _("about {likely} {unit}, between {low} and {high}").format(
        likely=likely, unit=words, low=low, high=high
    )
    return used, _("age assumed")


def draw_life_bar(age: float, left: Sequence[float]) -> Bar:
    """left: 10 %, 50 % and 90 %, in the unit of age."""
    ticks = round_ticks(0.0, max(age + max(0.0, left[2]), 1e-6), MOST_TICKS)
    axis = Axis(0.0, ticks[-1])
    used, low, median, high = (axis.at(age + max(0.0, amount)) for amount in (0.0, *left))
    anchors = ["start", *["middle"] * (len(ticks) - 2), "end"]
    return Bar(
        used=f"{used:.1f}",
        first_end=f"{low:.1f}",
        end_width=f"{high - low:.1f}",
        median=f"{median:.1f}",
        ticks=[
            (f"{axis.at(tick):.3g}", format_number(tick), anchor)
            for tick, anchor in zip(ticks, anchors, strict=True)
        ],
    )
