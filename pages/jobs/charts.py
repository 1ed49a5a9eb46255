"""The flow of a job over its time, as a chart."""

from collections.abc import Sequence
from itertools import pairwise

from django.utils.translation import gettext as _

from maintenance.gcode import JobFacts
from pages.charts.chart import COMPUTED, Chart, Frame, Limit, Series, draw_chart
from spools.wording import format_number

HOUR_S, MINUTE_S = 3600, 60


def draw_flow(facts: JobFacts, limits: Sequence[tuple[float, str]] = ()) -> Chart | None:
    """A line in steps, one for each bin, in hours for long jobs, in minutes for short ones; None where nothing flows.

    limits: flows in mm³/s and what they are.
    """
    flows = facts.flow_mm3_s
    if not any(flows):
        return None
    unit, unit_s = ("h", HOUR_S) if facts.seconds >= 2 * HOUR_S else ("min", MINUTE_S)
    edges = [n * facts.flow_bin_s / unit_s for n in range(len(flows) + 1)]
    frame = Frame(
        _("Flow over the time of the job, mm³/s"),
        0.0,
        edges[-1],
        along=_("Time, {unit}").format(unit=unit),
        along_unit=unit,
        limits=[Limit(flow, text) for flow, text in limits],
        write=_write_flow,
        from_zero=True,
    )
    corners = [(at, flow) for ends, flow in zip(pairwise(edges), flows, strict=True) for at in ends]
    return draw_chart(frame, [Series(_("flow"), COMPUTED, corners)])


def _write_flow(flow_mm3_s: float) -> str:
    return f"{format_number(flow_mm3_s)} mm³/s"
