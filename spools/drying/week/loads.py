"""A spool alone in a dryer, for the advisor's search."""

from datetime import datetime

from spools.air.climate import Climate
from spools.drying import search
from spools.drying.caps import compute_cap
from spools.drying.drafts import DryerLoad
from spools.drying.options import PlanRequest
from spools.models import Place, Spool
from spools.moisture.state import Moisture


def load_alone(
    spool: Spool,
    state: Moisture,
    dryer: Place,
    room: Climate,
    request: PlanRequest,
    at: datetime,
    *,
    neighbours: int = 0,
) -> DryerLoad:
    """A spool that goes into an empty dryer at a time, with the drafts of its options, not computed yet.

    neighbours: so many spools more may dry in it meanwhile.
    Refused: a set point above the cap.
    """
    target_pct = request.target_of(spool)
    load = DryerLoad(
        spools=[spool],
        dryer=dryer,
        beside=[],
        caps=[compute_cap(spool, dryer)],
        room=room,
        states=[state],
        targets_pct=[target_pct],
        masses_g=[search.counted_mass_g(state, target_pct, request.mass_g)],
        at=at,
        neighbours=neighbours,
    )
    search.add_drafts(load, request, at)
    return load
