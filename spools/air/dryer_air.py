"""How dryers exchange their air."""

from spools.models import Place
from spools.physics.chamber import Chamber
from spools.physics.ensemble import Spread

# The air that a dryer takes in, or passes over its desiccant, l/min, as 5 %, 50 % and 95 % quantiles. Common practice,
# no source.
AIR_FLOW_L_MIN = {
    Place.AirExchange.FREE: Spread(3.0, 15.0, 60.0),
    Place.AirExchange.LITTLE: Spread(0.3, 1.0, 3.0),
    Place.AirExchange.DESICCANT: Spread(1.0, 5.0, 20.0),
}
# The same over the flow that a person states.
STATED_AIR_FLOW = (0.7, 1.0, 1.4)
# Of the air over a small dryer's desiccant, warm with the chamber and regenerated now and then. Common practice, no
# source; dryers with a desiccant tower that regenerates itself reach -40 °C.
USUAL_DEW_POINT_C = -10.0


def dryer_chamber(dryer: Place) -> Chamber:
    """How a dryer exchanges its air, with one spool in it."""
    flow = AIR_FLOW_L_MIN[Place.AirExchange(dryer.air_exchange)]
    if dryer.air_flow_l_min is not None:
        flow = Spread(*(factor * dryer.air_flow_l_min for factor in STATED_AIR_FLOW))
    dew_point_c = desiccant_dew_point_c(dryer)
    return Chamber(flow.low, flow.median, flow.high, dew_point_c=dew_point_c)


def desiccant_dew_point_c(dryer: Place) -> float | None:
    """Of the air that a sealed dryer's desiccant gives back; None for a dryer that takes in its room's air."""
    if dryer.air_exchange != Place.AirExchange.DESICCANT:
        return None
    stated_c = dryer.desiccant_dew_point_c
    return USUAL_DEW_POINT_C if stated_c is None else stated_c
