"""Invented caches for the big shop, as if everything had been up to date at a time.

A checkpoint holds the state of another spool of the same feedstock that was in equilibrium with a room. Sweeps
continue from it as from a real one, but a rebuild gives other numbers.
"""

import math
from datetime import datetime, timedelta

from django.db.models import QuerySet

from benchmarks.big_shop import add_rows
from spools.air import dry_box_cache
from spools.air.hourly import hour_of
from spools.models import Ensemble, Feedstock, MoistureState, OuterTurns, Place, Spool
from spools.moisture import assimilation as spool_weighings
from spools.moisture import history as moisture_history
from spools.physics_inputs import ConstantAir, advance_windings, first_members, initial_winding


def bring_up(at: datetime) -> None:
    """Caches as if all had been up to date at a time."""
    until = hour_of(at)
    dry_box_cache.advance(until)
    kept = until - timedelta(hours=until.hour % 6)
    times = sorted({kept, kept.replace(hour=0)})
    memory_of = memories(Feedstock.objects.all())
    ids = list(Spool.objects.order_by("pk").values_list("pk", flat=True))
    for first in range(0, len(ids), 500):
        histories = moisture_history.load(ids[first : first + 500], until, since=lambda _: until)
        states, ensembles, outer = [], [], []
        for past in histories.values():
            spool = past.spool
            outer.append(OuterTurns(spool=spool, at=until, over_clear=0.2))
            outer[-1].p10_pct, outer[-1].p50_pct, outer[-1].p90_pct = 0.1, 0.2, 0.3
            if weighings := spool_weighings.weighings_of(past):
                ensembles.append(_ensemble(past, len(weighings), weighings[-1].at))
            states += [
                MoistureState(
                    spool=spool,
                    at=time,
                    memory=memory_of[spool.feedstock_id, past.stays[-1].place.kind == Place.Kind.DRY_BOX],
                    exposure_hours=100,
                )
                for time in times
            ]
        for rows in (states, ensembles, outer):
            add_rows(rows)


def memories(feedstocks: QuerySet[Feedstock]) -> dict[tuple[int, bool], bytes]:
    """The state of a spool of each feedstock after a month in a room or, True, in a dry box."""
    found = {}
    for feedstock in feedstocks.select_related("polymer", "filler"):
        spool = Spool(code="7777777", feedstock=feedstock, core_radius_mm=50, width_mm=60, sealed=True)
        for dry, rh_pct in ((False, 45), (True, 10)):
            month = [ConstantAir(6, 21 + n % 4 / 2, rh_pct * (1 + 0.1 * math.sin(n))) for n in range(120)]
            (after,) = advance_windings([(initial_winding(spool, 700, first_members(spool)), month)])
            found[feedstock.pk, dry] = after.state.to_bytes()
    return found


def _ensemble(past: moisture_history.History, weighings: int, last_at: datetime) -> Ensemble:
    """Weighings that said nothing new."""
    kilograms = {"filament": [0.69, 0.7, 0.71], "water": [0.001, 0.002, 0.003], "core": [0.19, 0.2, 0.21]}
    told = {"surely": [0.68, 0.72], "printed_share": [0.9, 1.0, 1.1]}
    told |= {"unexplained_kg": [0.0] * weighings, "weighings": weighings}
    return Ensemble(
        spool=past.spool,
        last_at=last_at,
        points=first_members(past.spool).astype("<f8").tobytes(),
        divided=kilograms | told,
    )
