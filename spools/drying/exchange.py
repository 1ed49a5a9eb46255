"""The exchange of air in a dryer: its cost in a drying, against a dryer that is vented freely."""

from dataclasses import replace

from spools.drying import search
from spools.drying.drafts import Draft, DryerLoad
from spools.statements import Statement

# With more air for each spool its water is no matter: it takes a few per cent longer.
AMPLE_L_MIN = 5.0


def explain_exchange(load: DryerLoad, draft: Draft, n: int) -> list[Statement]:
    """The cost of a dryer's exchange of air for spool n of a load; none where it takes in ample room air."""
    chamber, hours = load.room.chamber, draft.hours[n]
    if chamber is None or hours == 0 or not draft.possible:
        return []
    if chamber.dew_point_c is None and chamber.likely_l_min >= AMPLE_L_MIN * load.together:
        return []
    free = replace(load.room, chamber=None)
    freely = replace(load, room=free, drafts=[replace(draft, hours=[])], stated=None)
    search.compute_drafts([freely], all_options=True)
    values = {
        "l_min": chamber.likely_l_min,
        "spools": load.together,
        "dew_point_c": chamber.dew_point_c,
        "hours": hours,
        "free_hours": freely.drafts[0].hours[n],
    }
    return [Statement("drying.air_exchange", values)]
