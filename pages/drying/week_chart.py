"""The plan of the week as bars over time: what dries where, by when prints are due, when somebody is there."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from django.utils import timezone
from django.utils.translation import gettext as _

from pages.charts.chart import NOW, Chart, Frame, Mark, Span
from pages.charts.lanes import Bar, Lane, Piece, draw_lanes
from spools.codes import pretty
from spools.drying.week.report import PrintReport
from spools.drying.week.slots import StaffedHours
from spools.models import DryingRun, PlannedDrying
from spools.wording import format_time

# A run that began long ago is drawn from so far back.
PAST = timedelta(hours=12)
SHORTEST_AHEAD = timedelta(hours=24)
# Behind the last bar or sign, of the axis, so that nothing is cut on paper.
MARGIN = 0.02


def draw_week(
    runs: Sequence[DryingRun],
    ready_at: Mapping[int, datetime | None],
    ahead: Sequence[PlannedDrying],
    prints: Sequence[PrintReport],
    staffed: StaffedHours,
    now: datetime,
) -> Chart:
    """The dryers that have something to do, by their names, then the prints. ready_at: of runs, by spool id."""
    lanes: dict[str, list[Bar]] = {}
    for run in runs:
        lanes.setdefault(run.dryer.name, []).append(_draw_run(run, ready_at.get(run.spool_id), now))
    for planned in ahead:
        piece = Piece("planned", planned.start, planned.end)
        lanes.setdefault(planned.dryer.name, []).append(_name_bar(planned, [piece], planned.end))
    due = [_draw_due(report) for report in prints]
    shown = sorted(lanes.items()) + ([(_("Prints"), due)] if due else [])
    ends = [run.planned_end for run in runs] + [at for at in ready_at.values() if at is not None]
    ends += [planned.end for planned in ahead] + [report.planned.request.due_at for report in prints]
    first = max(now - PAST, min([now, *(run.start for run in runs)]))
    last = max([now + SHORTEST_AHEAD, *ends])
    last += MARGIN * (last - first)
    frame = Frame(
        _("Dryers and prints"), first, last, marks=[Mark(now, NOW)], spans=_list_staffed(staffed, first, last)
    )
    headers = [_("spool or print"), _("dryer"), _("until"), _("set point")]
    kinds = {
        "running": _("drying"),
        "over": _("over its plan"),
        "likely": _("until it is likely dry"),
        "planned": _("planned"),
        "due": _("print due"),
        "late": _("due, but late or not made"),
    }
    return draw_lanes(frame, [Lane(name, bars) for name, bars in shown], headers, kinds, ("due", "late"))


def _draw_run(run: DryingRun, ready_at: datetime | None, now: datetime) -> Bar:
    """As it was planned; what is over its plan up to now; and up to the time when it is likely dry."""
    pieces, end = [Piece("running", run.start, run.planned_end)], max(now, run.planned_end)
    if now > run.planned_end:
        pieces.append(Piece("over", run.planned_end, now))
    if ready_at is not None and ready_at > end:
        pieces.append(Piece("likely", end, ready_at))
        end = ready_at
    return _name_bar(run, pieces, end)


def _name_bar(drying: DryingRun | PlannedDrying, pieces: Sequence[Piece], until: datetime) -> Bar:
    code = pretty(drying.spool.code)
    return Bar(code, pieces, [code, drying.dryer.name, format_time(until), drying.temperatures])


def _draw_due(report: PrintReport) -> Bar:
    request = report.planned.request
    kind = "late" if report.state in ("late", "missing") else "due"
    return Bar(
        str(request),
        [Piece(kind, request.due_at, request.due_at)],
        [_("{print} is due").format(print=request), "", "", ""],
    )


def _list_staffed(staffed: StaffedHours, first: datetime, last: datetime) -> list[Span]:
    """The hours with somebody there, of each day."""
    day = timezone.localtime(first).date()
    spans = []
    while day <= timezone.localtime(last).date():
        opens, closes = (
            timezone.make_aware(datetime.combine(day, time)) for time in (staffed.opens, staffed.closes)
        )
        if opens < last and closes > first:
            spans.append(Span(opens, closes, _("somebody is there")))
        day += timedelta(days=1)
    return spans
