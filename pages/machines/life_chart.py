"""How many parts of a kind last how long, as two lines: as stated, and as expected here."""

from django.utils.translation import gettext as _

from maintenance.models import PartKind
from maintenance.wear.learning import ExpectedLives
from pages.charts.chart import ASSUMED, COMPUTED, Chart, Frame, Series, draw_chart
from pages.templatetags.spoken import scale_kind
from spools.wording import format_chance

STEPS = 24
# Beyond the age at which so few last, the picture ends.
FEW = 0.97


def draw_lives(kind: PartKind, stated: ExpectedLives, expected: ExpectedLives) -> Chart:
    """The share that lasts longer, over the age in the unit that people have in hand."""
    until = max(stated.age_when(FEW), expected.age_when(FEW))
    ages = [until * step / STEPS for step in range(STEPS + 1)]
    factor, unit = scale_kind(kind)

    def draw(name: str, line: str, lives: ExpectedLives) -> Series:
        return Series(name, line, [(factor * age, 100 * (1 - lives.used_up_by(age))) for age in ages])

    frame = Frame(
        _("How many last longer, %"),
        0.0,
        factor * until,
        along=unit,
        write=format_chance,
        from_zero=True,
    )
    return draw_chart(
        frame,
        [draw(_("as stated"), ASSUMED, stated), draw(_("as expected here"), COMPUTED, expected)],
    )
