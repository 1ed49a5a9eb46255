"""The reel of unknown material: it counts as a weak one, so it is asked for where a stated one would decide."""

from copy import copy

from spools.drying.caps import Cap, compute_cap
from spools.drying.drafts import Draft, DryerLoad
from spools.drying.limiting import find_limit
from spools.drying.search import choose_draft
from spools.models import Place, Spool
from spools.statements import Statement

# The plastic that a reel is tried as: the one of the usual plastics that takes most drying set points.
STATED = Spool.CoreMaterial.ABS
# It decides where a stated reel would save at least this share of the hours. Common practice, no source.
SAVED = 0.2


def state_reel(spool: Spool, dryer: Place, cap: Cap) -> tuple[Spool, Cap] | None:
    """The spool as if its reel were stated, and its cap then; None where an unknown reel does not set the cap."""
    material = Spool.CoreMaterial.UNKNOWN.value
    if Statement("cap.reel", {"material": material}) not in (cap.part, cap.start_part):
        return None
    stated = copy(spool)
    stated.core_material = STATED
    return stated, compute_cap(stated, dryer)


def find_limit_or_reel(load: DryerLoad, draft: Draft, n: int = 0) -> Statement:
    """The limit that binds spool n of a load; where its reel is unknown and that decides, with a stated reel's plan."""
    limit = find_limit(load, draft, n)
    if load.stated is None or not load.stated.drafts[0].hours:
        return limit
    plastic, hours = choose_draft(load.stated), draft.hours[n]
    if plastic.total is None or (hours is not None and plastic.total > (1 - SAVED) * hours):
        return limit
    stated = {"material": STATED.value, "set_point_c": plastic.set_point_c, "hours": plastic.total}
    return Statement("drying.limited_by_unknown_reel", stated | {"limit": limit.as_data()})
