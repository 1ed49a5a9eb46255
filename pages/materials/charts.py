"""The water that a material holds in balance with the air, against the print limits."""

from pages.charts.chart import COMPUTED, Chart, Frame, Limit, Series, draw_chart
from spools.catalogue.members import water_in_balance_pct
from spools.catalogue.values import material_values
from spools.models import Feedstock

HUMIDITIES_PCT = [float(rh_pct) for rh_pct in (0, 2, *range(5, 101, 5))]


def draw_sorption(feedstock: Feedstock) -> Chart:
    """At 23 °C, with the range of the uptake."""
    values = material_values(feedstock)
    rows = [water_in_balance_pct(feedstock, rh_pct) for rh_pct in HUMIDITIES_PCT]
    frame = Frame(
        "Water in balance with the air at 23 °C, %",
        0.0,
        100.0,
        along="Relative humidity, %",
        along_unit="%",
        limits=[
            Limit(values.limit_clear_pct, "prints well up to"),
            Limit(values.limit_hold_pct, "print limit"),
        ],
        from_zero=True,
    )
    likely = [(rh_pct, row[1]) for rh_pct, row in zip(HUMIDITIES_PCT, rows, strict=True)]
    return draw_chart(frame, [Series("water", COMPUTED, likely, [(row[0], row[2]) for row in rows])])
