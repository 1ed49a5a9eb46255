"""The page of one spool: may it be printed, how wet is it, what is on it, what happened to it."""

from dataclasses import dataclass

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from maintenance.board.next_act import choose_next_act
from maintenance.board.shop import load_board
from maintenance.board.version import board_version
from maintenance.jobs.planned import list_verdicts
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, LIKELY, POSSIBLE
from pages.spools.course import draw_course
from pages.spools.lasting import format_lasts
from pages.spools.lookup import with_spool
from pages.spools.next_act import build_act_button
from pages.spools.timeline import TimelineEvent, build_timeline
from pages.spools.winding_chart import draw_depths, draw_scale, draw_winding
from spools.catalogue.values import material_values, properties
from spools.codes import pretty
from spools.drying.heat_budget import compute_heat
from spools.inventory import ledger
from spools.inventory.endings import find_ending
from spools.models import Feedstock, Spool
from spools.moisture.exposure_hours import Exposure
from spools.moisture.history import History
from spools.moisture.state import Interval, Moisture, moisture_of
from spools.moisture.wording import ORIGIN
from spools.physics_inputs import SMALL_JOB_G, geometry
from spools.wording import format_chance

# The last ones in sight, and with those behind a tap.
SHOWN_EVENTS, EARLIER_EVENTS = 2, 10
SHOWN_TOOLHEADS = 10


@dataclass(frozen=True)
class Wetness:
    """Moisture of the turns that a small job takes, and of all turns.

    over_limit, over_well: chances that those outer turns are above the print limit, and above what prints well.
    """

    outer_pct: Interval
    mean_pct: Interval
    over_limit: str
    over_well: str
    state: str


def describe_wetness(moisture: Moisture, feedstock: Feedstock) -> Wetness:
    """A moisture in words of the spool's own limits; its state is that of the verdict's moisture check."""
    values = material_values(feedstock)
    over_limit, over_well = (
        moisture.probability_over(limit_pct, SMALL_JOB_G)
        for limit_pct in (values.limit_hold_pct, values.limit_clear_pct)
    )
    state = HOLD if over_limit > LIKELY else CAUTION if over_well > POSSIBLE else CLEAR
    return Wetness(
        moisture.outer_pct(SMALL_JOB_G),
        moisture.mean_pct,
        format_chance(100 * over_limit),
        format_chance(100 * over_well),
        state,
    )


@with_spool
def spool(request: HttpRequest, spool: Spool) -> HttpResponse:
    live = board_version()
    events = build_timeline(spool)
    context = {"spool": spool, "code": pretty(spool.code), "live": live}
    context |= {"events": events[:SHOWN_EVENTS], "earlier": events[SHOWN_EVENTS:EARLIER_EVENTS]}
    if spool.ended_at is None:
        context |= _context_in_use(spool, events)
    else:
        context |= {"amount": ledger.remaining(spool), "ending": find_ending(spool)}
    return render(request, "spools/detail.html", context)


def _context_in_use(spool: Spool, events: list[TimelineEvent]) -> dict:
    """Context of the page of a spool in use; its facts are loaded once."""
    moisture = moisture_of([spool], preloaded=True)[spool.pk]
    board = load_board([spool.pk], preloaded=[spool], inputs=False)
    toolheads = board.rank_toolheads(spool.pk)
    row = board.rows[spool.pk]
    limits = properties(spool.feedstock)
    hold, clear = limits["limit_hold_pct"], limits["limit_clear_pct"]
    segment = moisture.history.segment_at(moisture.at)
    unopened = segment is not None and segment.kind == Exposure.UNOPENED
    toolhead = board.find_toolhead(spool.pk)
    amount, shells = moisture.history.remaining(), moisture.shells
    verdicts = list_verdicts(board, spool, toolheads[:SHOWN_TOOLHEADS])
    reserved = board.occupation.with_spool(spool.pk)
    loading = next((event for event in events if event.kind == "loading" and not event.until), None)
    best = verdicts[0][:2] if verdicts else None
    act = choose_next_act(row, best, board.at, is_loaded=toolhead is not None, reserved=reserved)
    wet = describe_wetness(moisture, spool.feedstock)
    return {
        "act": build_act_button(act, spool, None if loading is None else loading.subject),
        "amount": amount,
        "board": row,
        "moisture": moisture,
        "heat": compute_heat(spool, moisture.history.runs, moisture.at),
        "wet": wet,
        "small_job_g": min(SMALL_JOB_G, row.mass_g),
        "picture": draw_winding(shells, _full_radius_mm(moisture.history), clear.value, hold.value),
        "scale": draw_scale(wet.outer_pct.p50, clear.value, hold.value),
        "depths": draw_depths(shells, amount.mass_g, clear.value, hold.value),
        "limit": hold,
        "well": clear,
        "segment": segment,
        "since": moisture.history.stays[-1].start,
        "air_from": ORIGIN[segment.air.origin] if segment else "",
        "course": draw_course(moisture, None if row.run or unopened else segment, row),
        "opened": moisture.history.opened,
        "unopened": unopened,
        "lasts": format_lasts(row, moisture.at),
        "run": row.run,
        "toolhead": toolhead,
        "site": toolhead and board.name_site(toolhead, spool.pk),
        "loading": toolhead and loading,
        # The first one's reasons are in sight.
        "best_verdict": verdicts[:1],
        "other_verdicts": verdicts[1:],
        "toolhead_count": len(toolheads),
        "has_more_toolheads": len(toolheads) > len(verdicts),
        "reserved": reserved,
        "reserved_g": board.occupation.sum_reserved_g(spool.pk),
    }


def _full_radius_mm(history: History) -> float:
    """Of the winding when there was the most on it."""
    most_g = max(mass_g for _, mass_g in ledger.winding_masses(history.spool, history.entries))
    return 1000 * geometry(history.spool, most_g).outer_radius_m


@with_spool
def spool_history(request: HttpRequest, spool: Spool) -> HttpResponse:
    context = {"spool": spool, "code": pretty(spool.code), "events": build_timeline(spool)}
    return render(request, "spools/history.html", context)
