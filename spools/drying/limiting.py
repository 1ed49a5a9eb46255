"""The limit that keeps a spool from being dry sooner: polymer, reel, dryer, neighbour, heat budget or room."""

from spools.drying import heat_budget
from spools.drying.caps import Limit
from spools.drying.drafts import Draft, DryerLoad, FirstStageReason
from spools.models import Spool
from spools.statements import Statement, Values

# The kind of limit by the code of its part; others are limits of the polymer.
CAPS = {
    "cap.reel": "reel",
    "cap.reel_stated": "reel",
    "cap.dryer": "dryer",
    "cap.neighbour": "neighbour",
}


def find_limit(load: DryerLoad, draft: Draft, n: int = 0) -> Statement:
    """The limit that binds spool n of a load in the chosen draft."""
    if draft.hours[n] is None and load.is_floored(draft.set_point_c, n):
        values = {
            "temperature_c": load.room.temperature_c,
            "rh_pct": load.room.rh_pct,
            "set_point_c": draft.set_point_c,
            "floor_pct": load.floor_pct(draft, n),
            "target_pct": load.targets_pct[n],
        }
        return Statement("drying.limited_by_room", values)
    if load.beside:
        codes = [run.spool.code for run in load.beside]
        return Statement("drying.limited_by_sharing", {"spools": codes, "set_point_c": draft.set_point_c})
    # A drying without a first stage that water asks for gets no hotter than it may start.
    hotter = [
        other
        for other in load.drafts
        if other.possible
        and other.set_point_c > draft.set_point_c
        and (other.first_reason is not FirstStageReason.SOFT or draft.first_reason is FirstStageReason.SOFT)
    ]
    share = load.run_shares(draft)[n]
    if share > heat_budget.ALL or (hotter and share and draft is not load.drafts[0]):
        return Statement("drying.limited_by_heat", {"share": share, "set_point_c": draft.set_point_c})
    if hotter and draft is load.drafts[0]:
        polymer = load.spools[n].feedstock.polymer.name
        code = "drying.limited_by_request" if load.asked else "drying.limited_by_usual"
        return Statement(code, {"polymer": polymer, "set_point_c": draft.set_point_c})
    return _binding_limit(load, draft, n)


def list_hotter(load: DryerLoad, draft: Draft, n: int) -> list[str]:
    """What could make a drying that fails hot enough for spool n: "dryer", "reel", or "reel_unknown".

    Empty where the polymer itself allows no more, or where even its hottest would leave too much.
    """
    limits = _limits(load, draft, n)
    own_c = min(limit.hottest_c for limit in limits if limit.part.code not in CAPS)
    if own_c <= draft.set_point_c or load.is_floored(own_c, n):
        return []
    kinds = {CAPS.get(limit.part.code) for limit in limits if limit.hottest_c < own_c}
    unknown = load.spools[n].core_cap_c is None and (
        load.spools[n].core_material == Spool.CoreMaterial.UNKNOWN
    )
    reel = "reel_unknown" if unknown else "reel"
    return [name for kind, name in (("reel", reel), ("dryer", "dryer")) if kind in kinds]


def _binding_limit(load: DryerLoad, draft: Draft, n: int) -> Statement:
    limit = min(_limits(load, draft, n), key=lambda limit: limit.hottest_c)
    error_k = load.dryer.set_point_error_c if limit.hottest_c < limit.limit_c else 0.0
    values: Values = {"limit_c": limit.limit_c, "error_k": error_k, "part": limit.part.as_data()}
    return Statement(f"drying.limited_by_{CAPS.get(limit.part.code, 'polymer')}", values)


def _limits(load: DryerLoad, draft: Draft, n: int) -> list[Limit]:
    """The limits that hold for a draft: those of the start unless it ends as hot as any; else water keeps it cooler."""
    cap = load.caps[n]
    is_hottest = all(other.set_point_c <= draft.set_point_c for other in load.drafts)
    return cap.limits if draft.first and is_hottest else cap.start_limits
