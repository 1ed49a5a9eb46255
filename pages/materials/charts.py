"""The water that a material holds in balance with the air, and its drying, against the print limits."""

from django.utils.translation import gettext as _

from pages.charts.chart import COMPUTED, FORECAST, OTHER_FORECAST, Chart, Frame, Limit, Series, draw_chart
from spools.catalogue.members import water_in_balance_pct
from spools.catalogue.values import MaterialValues, material_values
from spools.drying.usual_curves import HOURS, dry_wettest_turns, usual_set_points_c
from spools.models import Feedstock
from spools.wording import format_temperature

HUMIDITIES_PCT = [float(rh_pct) for rh_pct in (0, 2, *range(5, 101, 5))]
# All are computed: the strokes tell the set points apart, the usual one by the plain line.
STROKES = (OTHER_FORECAST, COMPUTED, FORECAST)


def draw_sorption(feedstock: Feedstock) -> Chart:
    """At 23 °C, with the range of the uptake."""
    rows = [water_in_balance_pct(feedstock, rh_pct) for rh_pct in HUMIDITIES_PCT]
    frame = Frame(
        _("Water in balance with the air at {temperature}, %").format(temperature=format_temperature(23)),
        0.0,
        100.0,
        along=_("Relative humidity, %"),
        along_unit="%",
        limits=_print_limits(material_values(feedstock)),
        from_zero=True,
    )
    likely = [(rh_pct, row[1]) for rh_pct, row in zip(HUMIDITIES_PCT, rows, strict=True)]
    return draw_chart(frame, [Series(_("water"), COMPUTED, likely, [(row[0], row[2]) for row in rows])])


def draw_drying(feedstock: Feedstock) -> Chart:
    """An ordinary full spool at a gentler, the usual and the highest drying temperature."""
    values = material_values(feedstock)
    set_points_c = usual_set_points_c(values)
    frame = Frame(
        _("Drying: moisture of the wettest turns, %"),
        HOURS[0],
        HOURS[-1],
        along=_("Hours in the dryer"),
        along_unit="h",
        limits=_print_limits(values),
        from_zero=True,
    )
    curves = dry_wettest_turns(feedstock, set_points_c)
    return draw_chart(
        frame,
        [
            Series(_name(set_point_c, values), stroke, list(zip(HOURS, curve, strict=True)))
            for set_point_c, curve, stroke in zip(set_points_c, curves, STROKES, strict=False)
        ],
    )


def _print_limits(values: MaterialValues) -> list[Limit]:
    return [
        Limit(values.limit_clear_pct, _("prints well up to")),
        Limit(values.limit_hold_pct, _("print limit")),
    ]


def _name(set_point_c: float, values: MaterialValues) -> str:
    temperature = format_temperature(set_point_c)
    if set_point_c == values.dry_set_c:
        return _("{temperature}, usual").format(temperature=temperature)
    if set_point_c == values.dry_cap_c:
        return _("{temperature}, the highest").format(temperature=temperature)
    return temperature
