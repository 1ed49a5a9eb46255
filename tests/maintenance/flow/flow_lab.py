"""Flow checks as they would come from a bench: a true loss, scatter of the blobs, and a scale that rounds."""

from datetime import datetime

import numpy as np

from maintenance.flow.curve import RateMasses
from maintenance.flow.records import record_flow_check, require_setup
from maintenance.models import FlowCheck

RATES = (1.0, 4.0, 8.0, 12.0)
# Loss per mm3/s above the reference of a sound drive: 4.2 % at 8 mm3/s, 5 % at 9.3.
STEEPNESS = 0.006


def true_loss(flow_mm3_s: float, slip: float = 0.0) -> float:
    """slip: by how much worn gears lose more than sound ones, as a share."""
    return STEEPNESS * (flow_mm3_s - RATES[0]) * (1 + slip)


def check(
    toolhead, spool, at: datetime, slip: float = 0.0, *, random=None, nozzle_c=215, **values
) -> FlowCheck:
    """A check of 200 mm a blob on a scale of 0.001 g; random: makes the blobs scatter by 0.3 %."""
    given = {"rates": weigh(spool, slip, random=random), "nozzle_c": nozzle_c, "length_mm": 200}
    given |= {"resolution_g": 0.001} | values
    return record_flow_check(toolhead=toolhead, spool=spool, at=at, **given)


def weigh(spool, slip: float = 0.0, rates=RATES, random=None) -> list[RateMasses]:
    """Three blobs of each rate."""
    setup = require_setup(spool, length_mm=200, resolution_g=0.001)
    weighed = []
    for rate in rates:
        scatter = np.zeros(3) if random is None else random.normal(0, 0.003, 3)
        masses = setup.commanded_g * (1 - true_loss(rate, slip)) * (1 + scatter)
        weighed.append(RateMasses(rate, tuple(round(float(mass), 3) for mass in masses)))
    return weighed
