"""How long a single drying takes in a dryer that a person chose, from a start and at a set point."""

from datetime import datetime

from django.utils.translation import gettext as _

from spools.air.climate import room_airs
from spools.drying import search
from spools.drying.dryers import capacity_of
from spools.drying.gate import FirstStage
from spools.drying.options import DRYING_PROBE_HOURS, IN_HAND_H, PlanRequest
from spools.drying.week.loads import load_alone
from spools.models import Place, Spool
from spools.moisture.state import moisture_of
from spools.refusals import refusal
from spools.wording import format_duration, format_significant, format_temperature


def compute_single_drying(
    spool: Spool, dryer: Place, start: datetime, set_point_c: float, mass_g: float | None
) -> tuple[FirstStage | None, float]:
    """The first stage, if it needs one, and the hours in all of a drying that starts then, by the advisor's search.

    Raises ValidationError for a set point above the cap, and where the spool does not get dry at it.
    """
    state, room = moisture_of([spool], start)[spool.pk], room_airs([dryer], start)[dryer.pk]
    request = PlanRequest(set_point_c, mass_g)
    load = load_alone(spool, state, dryer, room, request, start, neighbours=capacity_of(dryer, 0) - 1)
    load.drafts = load.drafts[:1]
    search.compute_drafts([load], all_options=True)
    (draft,) = load.drafts
    if not draft.possible:
        raise refusal(
            "above_start_cap",
            _("{set_point} is too hot for it while wet: take a lower set point.").format(
                set_point=format_temperature(set_point_c)
            ),
            "set_point_c",
        )
    if draft.total is None:
        raise refusal(
            "not_dry_enough",
            _(
                "{hours} at {set_point} in {dryer} are not enough for {target} %. Take a hotter set point (at most {cap}) "
                "or another dryer."
            ).format(
                hours=format_duration(DRYING_PROBE_HOURS[-1]),
                set_point=format_temperature(set_point_c),
                dryer=dryer,
                target=format_significant(load.targets_pct[0], 2),
                cap=format_temperature(load.caps[0].cap_c),
            ),
            "set_point_c",
        )
    return draft.first, max(draft.total, IN_HAND_H)
