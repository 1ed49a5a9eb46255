"""The page of one spool: may it be printed, how wet is it, what is on it, what happened to it."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from maintenance.models import Loading, Toolhead
from maintenance.readiness import CAUTION, CLEAR, HOLD, LIKELY, POSSIBLE
from maintenance.situation import verdicts
from spools import catalogue, climate, drying, ledger, moves
from spools.climate import Climate
from spools.exposure import Band, Moisture, forecast, moisture_now
from spools.labels import pretty
from spools.models import Feedstock, Place, Spool
from spools.windings import Air

from .spool_access import of_spool
from .time_line import time_line
from .winding_picture import winding_picture

SMALL_JOB_G = 50.0
AHEAD_H = (24, 72, 168)
SHOWN_EVENTS = 8


@dataclass(frozen=True)
class Wet:
    """Moisture of the turns that a small job takes, of all turns, and what that means.

    over_limit, over_well: chances in % that those outer turns are above the print limit, and above what
    prints well.
    """

    at: datetime
    outer_pct: Band
    mean_pct: Band
    over_limit: int
    over_well: int
    state: str


def wet(moisture: Moisture, feedstock: Feedstock) -> Wet:
    """A moisture in words of the spool's own limits; its state is that of the verdict's moisture check."""
    over_limit, over_well = (
        moisture.probability_over(catalogue.value(feedstock, name) or 0.0, SMALL_JOB_G)
        for name in ("limit_hold_pct", "limit_clear_pct")
    )
    state = HOLD if over_limit > LIKELY else CAUTION if over_well > POSSIBLE else CLEAR
    return Wet(
        moisture.at,
        moisture.outer_pct(SMALL_JOB_G),
        moisture.mean_pct,
        round(100 * over_limit),
        round(100 * over_well),
        state,
    )


def ahead(moisture: Moisture, spool: Spool, place: Place, air: Climate) -> list[Wet]:
    """What becomes of it in the next days if it stays in this air."""
    airs = [Air(hours, air.temperature_c, air.rh_pct, place.moved_air) for hours in AHEAD_H]
    return [wet(later, spool.feedstock) for later in forecast([(moisture, one) for one in airs])]


@of_spool
def spool(request: HttpRequest, spool: Spool) -> HttpResponse:
    context = {
        "spool": spool,
        "code": pretty(spool.code),
        "amount": ledger.remaining(spool),
        "events": time_line(spool, SHOWN_EVENTS),
    }
    if spool.emptied_at is None:
        context |= _in_use(spool)
    return render(request, "spools/detail.html", context)


def _in_use(spool: Spool) -> dict:
    limits = catalogue.properties(spool.feedstock)
    hold, clear = limits["limit_hold_pct"], limits["limit_clear_pct"]
    moisture = moisture_now(spool)
    stay = moves.current_stay(spool)
    air = climate.climate_at(stay.place) if stay else None
    run = drying.open_runs().filter(spool=spool).first()
    toolheads = list(Toolhead.objects.filter(printer__retired_at=None).select_related("printer"))
    found = verdicts([(toolhead, spool) for toolhead in toolheads], None)
    return {
        "moisture": moisture,
        "wet": wet(moisture, spool.feedstock),
        "small_job_g": SMALL_JOB_G,
        "picture": winding_picture(moisture.shells, clear.value, hold.value),
        "limit": hold,
        "well": clear,
        "stay": stay,
        "air": air,
        "forecasts": ahead(moisture, spool, stay.place, air) if stay and air and not run else [],
        "run": run,
        "run_done_at": run and run.start + timedelta(hours=run.planned_hours),
        "now": timezone.now(),
        "loading": Loading.objects.filter(spool=spool, end=None).select_related("toolhead__printer").first(),
        "verdicts": [(toolhead, found[toolhead.pk, spool.pk]) for toolhead in toolheads],
    }


@of_spool
def spool_history(request: HttpRequest, spool: Spool) -> HttpResponse:
    context = {"spool": spool, "code": pretty(spool.code), "events": time_line(spool)}
    return render(request, "spools/history.html", context)
