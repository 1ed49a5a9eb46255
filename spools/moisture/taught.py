"""The knowledge about a feedstock that its weighed spools pass on, for its page and the API."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from spools.catalogue.members import member_material, start_rh
from spools.models import Feedstock, Spool
from spools.moisture.feedstock_lessons import FeedstockLessons
from spools.physics_inputs import Interval
from spools.statements import Statement


@dataclass(frozen=True)
class FeedstockKnowledge:
    """Numbers that a sealed spool starts with, and how many weighed spools taught them; 0: the catalogue alone."""

    spools: int
    w50_pct: Interval
    d23_m2_s: Interval
    start_rh_pct: Interval

    def statement(self) -> Statement | None:
        """None where no weighed spool taught it."""
        if not self.spools:
            return None
        water, rate, wetness = self.w50_pct, self.d23_m2_s, self.start_rh_pct
        return Statement(
            "moisture_reason.feedstock_taught",
            {
                "spools": self.spools,
                "w50_low_pct": water.p10,
                "w50_high_pct": water.p90,
                "d23_low_m2_s": rate.p10,
                "d23_high_m2_s": rate.p90,
                "start_low_rh_pct": wetness.p10,
                "start_high_rh_pct": wetness.p90,
            },
        )


def summarize_taught(feedstock: Feedstock, now: datetime) -> FeedstockKnowledge:
    """The knowledge that a sealed spool received now would start with.

    With the lessons that are stored: those of the newest weighings may still be computed.
    """
    spool = Spool(feedstock=feedstock, sealed=True)
    taught = FeedstockLessons(None).teach_at({0: (spool, now)})[0]
    material, start = member_material(feedstock, start_rh(spool)[0], taught.members())
    members = 100 * material.isotherm.w50, material.d23_m2_s, 100 * start
    return FeedstockKnowledge(taught.spools, *(Interval.from_members(np.asarray(each)) for each in members))
