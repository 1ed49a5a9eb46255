"""The limit that keeps a spool from being dry sooner: polymer, reel, dryer, neighbour, heat budget or room."""

from spools.catalogue.values import material_values
from spools.drying import heat_budget
from spools.drying.options import LONGEST_USUAL_H
from spools.drying.search import Draft, DryerLoad
from spools.statements import Statement, Values

# The kind of limit by the code of the part that sets the cap; others are limits of the polymer.
CAPS = {
    "cap.reel": "reel",
    "cap.reel_stated": "reel",
    "cap.dryer": "dryer",
    "cap.neighbour": "neighbour",
}


def find_limit(load: DryerLoad, draft: Draft, n: int = 0) -> Statement:
    """The limit that binds spool n of a load in the chosen draft."""
    spool, cap = load.spools[n], load.caps[n]
    if draft.hours[n] is None and load.is_floored(draft, n):
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
    usual = load.drafts[0]
    gave_way = draft is not usual and usual.total is not None and usual.total <= LONGEST_USUAL_H
    share = load.run_shares(draft)[n]
    if share > heat_budget.ALL or gave_way:
        return Statement("drying.limited_by_heat", {"share": share, "set_point_c": draft.set_point_c})
    usual_c = material_values(spool.feedstock).dry_set_c
    part, limit_c = (cap.part, cap.cap_c) if draft.first else (cap.start_part, cap.start_c)
    if draft.set_point_c >= usual_c and limit_c - load.dryer.set_point_error_c > draft.set_point_c:
        polymer = spool.feedstock.polymer.name
        return Statement("drying.limited_by_usual", {"polymer": polymer, "set_point_c": draft.set_point_c})
    cap_values: Values = {"limit_c": limit_c, "error_k": load.dryer.set_point_error_c, "part": part.as_data()}
    return Statement(f"drying.limited_by_{CAPS.get(part.code, 'polymer')}", cap_values)
