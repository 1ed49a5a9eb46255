"""Flow curves and control charts as charts: losses in % against flow, and check by check."""

from django.utils.translation import gettext as _

from maintenance.flow.control_chart import START
from maintenance.flow.curve import EDGE, LIMITS, FlowCurve
from maintenance.flow.history import CheckSeries
from pages.charts.axes import Along
from pages.charts.chart import COMPUTED, MEASURED, SIGNAL, Chart, Frame, Limit, Series, draw_chart
from spools.wording import format_percent, format_time


def draw_curve(curve: FlowCurve) -> Chart:
    """Loss against flow: each rate with its error bar, the fitted curve with its band, the limits."""
    flows = [float(flow) for flow in curve.flows_mm3_s]
    fitted, low, high, losses, loss_u = (
        [float(100 * value) for value in values]
        for values in (
            curve.fitted,
            curve.fitted_low,
            curve.fitted_high,
            curve.losses,
            EDGE * curve.loss_u,
        )
    )
    bars = [(loss - u, loss + u) for loss, u in zip(losses, loss_u, strict=True)]
    frame = Frame(
        _("Loss at each rate, with the 80 % range, %"),
        0.0,
        flows[-1],
        along=_("Flow, mm³/s"),
        along_unit="mm³/s",
        limits=[Limit(100 * limit, _("usable up to")) for limit in LIMITS],
        write=_write_loss,
        from_zero=True,
    )
    measured = Series(_("measured"), MEASURED, list(zip(flows, losses, strict=True)), bars, in_dots=True)
    curve_line = Series(
        _("fitted"), COMPUTED, list(zip(flows, fitted, strict=True)), list(zip(low, high, strict=True))
    )
    return draw_chart(frame, [measured, curve_line])


def draw_control_charts(series: CheckSeries) -> list[Chart]:
    """EWMA and CUSUM of the loss, check by check, with a diamond where they signal; none without a chart."""
    chart = series.chart
    if chart is None:
        return []
    losses = [(n, 100 * loss) for n, loss in enumerate(series.losses, start=1)]
    signals = [False] * START + [bool(signal) for signal in chart.signal]
    numbers = range(START + 1, len(losses) + 1)
    averages = [(n, 100 * float(value)) for n, value in zip(numbers, chart.ewma, strict=True)]
    sums = [(n, 100 * float(value)) for n, value in zip(numbers, chart.cusum_high, strict=True)]
    decision = 100 * chart.decision
    ewma = [
        _dots(_("single check"), MEASURED, losses, [not signal for signal in signals]),
        _dots(_("check with a signal"), SIGNAL, losses, signals),
        Series(_("average"), COMPUTED, averages),
    ]
    cusum = [
        Series(_("sum"), COMPUTED, sums),
        _dots(_("above the limit"), SIGNAL, sums, [value > decision for _, value in sums]),
    ]
    limits = [Limit(100 * chart.ewma_high, _("upper limit")), Limit(100 * chart.ewma_low, _("lower limit"))]
    return [
        _draw(series, _("Moving average of the loss (EWMA), %"), limits, ewma),
        _draw(
            series, _("Summed excess over the first checks (CUSUM), %"), [Limit(decision, _("limit"))], cusum
        ),
    ]


def _draw(series: CheckSeries, title: str, limits: list[Limit], drawn: list[Series]) -> Chart:
    """A chart over the numbers of the checks, whose table has their times, too."""
    heads: dict[Along, str] = {
        n: f"{n}: {format_time(check.check.at)}" for n, check in enumerate(series.charted, start=1)
    }
    frame = Frame(
        title,
        1,
        len(series.charted),
        along=_("Number of the check"),
        heads=heads,
        limits=limits,
        write=_write_loss,
        from_zero=True,
    )
    return draw_chart(frame, [each for each in drawn if each.points])


def _dots(name: str, kind: str, points: list[tuple[int, float]], chosen: list[bool]) -> Series:
    """Those points that are chosen."""
    return Series(
        name, kind, [point for point, is_in in zip(points, chosen, strict=True) if is_in], in_dots=True
    )


def _write_loss(loss_pct: float) -> str:
    return format_percent(loss_pct, -1)
