"""How long a single drying takes in a dryer that a person chose, from a start and at a set point."""

import math
from datetime import datetime

from spools.air.climate import heated_rh_pct, room_airs
from spools.drying import softening
from spools.drying.caps import compute_cap, require_below_cap
from spools.drying.gate import FirstStage
from spools.drying.options import DRYING_PROBE_HOURS, IN_HAND_H
from spools.drying.runs import default_target_pct
from spools.models import Place, Spool
from spools.moisture.state import moisture_of
from spools.physics_inputs import ConstantAir, advance_windings, hours_until
from spools.refusals import refusal


def compute_single_drying(
    spool: Spool, dryer: Place, start: datetime, set_point_c: float, mass_g: float | None
) -> tuple[FirstStage | None, float]:
    """The first stage, if it needs one, and the hours in all of a drying that starts then.

    Raises ValidationError for a set point above the cap, and where the spool does not get dry at it.
    """
    cap = compute_cap(spool, dryer)
    require_below_cap([cap], set_point_c)
    winding = moisture_of([spool], start)[spool.pk].winding
    room = room_airs([dryer], start)[dryer.pk]

    def hot(celsius: float, hours: float = 0.0) -> ConstantAir:
        return ConstantAir(hours, celsius, heated_rh_pct(room.temperature_c, room.rh_pct, celsius), True)

    first = None
    if set_point_c > cap.start_c:
        first_c = float(math.floor(cap.start_c - dryer.set_point_error_c))
        (needed,) = softening.first_stage_hours(
            [(spool, winding, hot(first_c))], [set_point_c + dryer.set_point_error_c]
        )
        if needed is None:
            raise refusal(
                "above_start_cap",
                f"{set_point_c:g} °C is too hot for it while wet: take a lower set point.",
                "set_point_c",
            )
        first = FirstStage(first_c, math.ceil(needed * 4) / 4 + IN_HAND_H)
        (winding,) = advance_windings([(winding, [hot(*first)])])
    target_pct = default_target_pct(spool)
    (hours,) = hours_until(
        [(winding, hot(set_point_c))], [target_pct], mass_g, DRYING_PROBE_HOURS, below=True
    )
    if hours is None:
        raise refusal(
            "not_dry_enough",
            f"{DRYING_PROBE_HOURS[-1]} h at {set_point_c:g} °C in {dryer} are not enough for "
            f"{target_pct:.2g} %. Take a hotter set point (at most {cap.cap_c:g} °C) or another dryer.",
            "set_point_c",
        )
    return first, (first.hours if first else 0.0) + math.ceil(hours * 4) / 4 + IN_HAND_H
