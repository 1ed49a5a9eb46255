"""Invented caches for the big shop, as if everything had been up to date at a time.

A checkpoint holds the state of another spool of the same feedstock that was in equilibrium with a room. Sweeps
continue from it as from a real one, but a rebuild gives other numbers.
"""

import math
from datetime import datetime, timedelta

import numpy as np
from django.db.models import QuerySet

from benchmarks.big_shop import add_rows
from spools.air import dry_box_cache
from spools.air.hourly import hour_of
from spools.board.rows import GOOD_FOR
from spools.catalogue.members import LOTS, first_members
from spools.models import Ensemble, Feedstock, MoistureState, Place, Spool, SpoolBoard, SpoolLesson
from spools.moisture import assimilation as spool_weighings
from spools.moisture import history_queries
from spools.moisture.feedstock_lessons import CATALOGUE
from spools.moisture.history import History
from spools.physics_inputs import ConstantAir, advance_windings, initial_winding
from spools.statements import Statement


def bring_up(at: datetime) -> None:
    """Caches as if all had been up to date at a time."""
    until = hour_of(at)
    dry_box_cache.advance(until)
    stored_until = until - timedelta(hours=until.hour % 6)
    times = sorted({stored_until, stored_until.replace(hour=0)})
    memory_of = memories(Feedstock.objects.all())
    ids = list(Spool.objects.order_by("pk").values_list("pk", flat=True))
    for first in range(0, len(ids), 500):
        histories = history_queries.load(ids[first : first + 500], until, since=lambda _: until)
        states, ensembles, rows, priors, lessons = [], [], [], [], []
        for past in histories.values():
            spool = past.spool
            priors.append(CATALOGUE.as_row(spool))
            rows.append(_row(spool, past.stays[-1].place, until))
            if weighings := spool_weighings.weighings_of(past):
                ensembles.append(_ensemble(past, len(weighings), weighings[-1].at))
                lessons += _lessons(spool, [entry.at for entry in weighings])
            states += [
                MoistureState(
                    spool=spool,
                    at=time,
                    memory=memory_of[spool.feedstock_id, past.stays[-1].place.kind == Place.Kind.DRY_BOX],
                    exposure_hours=100,
                )
                for time in times
            ]
        for kind in (states, ensembles, rows, priors, lessons):
            add_rows(kind)


def _row(spool: Spool, place: Place, at: datetime) -> SpoolBoard:
    """A row of the board that says nothing new."""
    row = SpoolBoard(
        spool=spool, generation=spool.cache_generation, computed_at=at, place=place, state="clear"
    )
    row.good_until, row.outlooks_json = at + GOOD_FOR, b"[]"
    row.p10_pct, row.p50_pct, row.p90_pct, row.over_clear, row.over_hold = 0.1, 0.2, 0.3, 0.2, 0.0
    row.low_g, row.mass_g, row.high_g = 690, 700, 710
    row.advice, row.advice_generation = Statement("advice.none_needed", {"target_pct": 0.2}), 0
    return row


def memories(feedstocks: QuerySet[Feedstock]) -> dict[tuple[int, bool], bytes]:
    """The state of a spool of each feedstock after a month in a room or, True, in a dry box."""
    by_spool = {}
    for feedstock in feedstocks.select_related("polymer", "filler"):
        spool = Spool(code="7777777", feedstock=feedstock, core_radius_mm=50, width_mm=60, sealed=True)
        for dry, rh_pct in ((False, 45), (True, 10)):
            month = [ConstantAir(6, 21 + n % 4 / 2, rh_pct * (1 + 0.1 * math.sin(n))) for n in range(120)]
            (after,) = advance_windings([(initial_winding(spool, 700, first_members()), month)])
            by_spool[feedstock.pk, dry] = after.state.to_bytes()
    return by_spool


def _ensemble(past: History, weighings: int, last_at: datetime) -> Ensemble:
    """Weighings that said nothing new."""
    kilograms = {"filament": [0.69, 0.7, 0.71], "water": [0.001, 0.002, 0.003], "core": [0.19, 0.2, 0.21]}
    content = {"surely": [0.68, 0.72], "printed_share": [0.9, 1.0, 1.1]}
    content |= {"unexplained_kg": [0.0] * weighings, "weighings": weighings}
    members = first_members()
    return Ensemble(
        spool=past.spool,
        last_at=last_at,
        names=list(members.names),
        points=members.points.astype("<f8").tobytes(),
        divided=kilograms | content,
    )


def _lessons(spool: Spool, times: list[datetime]) -> list[SpoolLesson]:
    """They teach nothing new, after 2, 4, 8 and so on of the weighings."""
    nothing = np.zeros(len(LOTS) ** 2 + len(LOTS)).astype("<f8").tobytes()
    counts = [1 << n for n in range(1, len(times).bit_length())]
    return [
        SpoolLesson(spool=spool, weighings=count, last_at=times[count - 1], numbers=nothing)
        for count in counts
    ]
