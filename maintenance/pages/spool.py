"""The page of one spool: may it be printed, how wet is it, what is on it, what happened to it."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from maintenance.models import Loading, Toolhead
from maintenance.situation import verdicts
from spools import catalogue, climate, drying, ledger, moves
from spools.exposure import Moisture, moisture_now
from spools.labels import pretty
from spools.models import Place, Spool

from .spool_access import of_spool
from .time_line import time_line
from .winding_picture import winding_picture

SMALL_JOB_G = 50.0
AHEAD_H = (24, 72, 168)
SHOWN_EVENTS = 8
# The same bounds as in the verdicts.
PROBABLY_OVER, MAYBE_OVER = 0.8, 0.2


@dataclass(frozen=True)
class Forecast:
    """The moisture some hours from now if the spool stays where it is."""

    at: datetime
    mean_pct: tuple[float, float, float]
    outer_pct: tuple[float, float, float]
    over: float
    state: str


def spool_state(moisture: Moisture, limit_pct: float) -> tuple[float, str]:
    """The chance that the turns of a small job are over the limit, and the state that this gives."""
    over = moisture.probability_over(limit_pct, SMALL_JOB_G)
    state = "hold" if over > PROBABLY_OVER else "caution" if over > MAYBE_OVER else "clear"
    return over, state


def forecasts(moisture: Moisture, place: Place, air: climate.Climate, limit_pct: float) -> list[Forecast]:
    found = []
    for hours in AHEAD_H:
        later = moisture.ahead(hours, air.temperature_c, air.rh_pct, moving_air=place.moved_air)
        at = moisture.at + timedelta(hours=hours)
        found.append(
            Forecast(at, later.mean_pct, later.outer_pct(SMALL_JOB_G), *spool_state(later, limit_pct))
        )
    return found


@of_spool
def spool(request: HttpRequest, spool: Spool) -> HttpResponse:
    context = {
        "spool": spool,
        "code": pretty(spool.code),
        "amount": ledger.remaining(spool),
        "events": time_line(spool, SHOWN_EVENTS),
        "more_events": True,
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
    over, state = spool_state(moisture, hold.value)
    toolheads = list(Toolhead.objects.filter(printer__retired_at=None).select_related("printer"))
    found = verdicts([(toolhead, spool) for toolhead in toolheads], None)
    return {
        "moisture": moisture,
        "outer_pct": moisture.outer_pct(SMALL_JOB_G),
        "small_job_g": SMALL_JOB_G,
        "over_pct": round(100 * over),
        "state": state,
        "picture": winding_picture(moisture.shells, clear.value, hold.value),
        "limit": hold,
        "well": clear,
        "stay": stay,
        "air": air,
        "forecasts": forecasts(moisture, stay.place, air, hold.value) if stay and air and not run else [],
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
