"""The air in a dryer's chamber, which holds the water that the spools in it give off.

The chamber is small beside the air that flows through it, so its vapour follows at once [kg/m³]:

    c = c_in + n J / V,

c_in that of the air which comes in, heated; n the spools that dry in it, each taken to give off as much as the one
that is computed, J [kg/s]; V the flow [m³/s]. So the chamber is one more resistance for the vapour, n / V, in series
with the pores of the outermost turns (transport.add_chamber), and the released water and the chamber's air are solved
together in each step. Air that comes in at room temperature takes more room when it is heated.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from .air import ZERO_C, Array
from .ensemble import Members, Spread, further_points

# The air that a dryer takes in, where its temperature is not at hand.
ROOM_K = 22.0 + ZERO_C
M3_S = 1 / 60_000  # a litre a minute
# The name of the flow among the numbers of the members.
AIR_EXCHANGE = "air exchange"


class Chamber(NamedTuple):
    """How a dryer exchanges its air.

    low_l_min, likely_l_min, high_l_min: the air that it takes in, or passes over its desiccant, at room temperature,
    as 5 %, 50 % and 95 % quantiles [l/min]; a member takes the same one for all spools and like dryers. spools: that
    dry in it together. dew_point_c: of the air that its desiccant gives back [°C]; None: it takes in the room's air.
    points: the members' flows as standard normal deviates, (members,); None: those before any weighing.
    """

    low_l_min: float
    likely_l_min: float
    high_l_min: float
    spools: int = 1
    dew_point_c: float | None = None
    points: Array | None = None

    def shared_by(self, spools: int) -> Chamber:
        """The same where so many spools dry in it together."""
        return self._replace(spools=spools)

    def spread(self, members: Members) -> Chamber:
        """The same with the flows that these members take as the true ones."""
        return self._replace(points=members.point(AIR_EXCHANGE)) if AIR_EXCHANGE in members.names else self

    def resistance(self, temperature_k: float | Array, members: int) -> Array:
        """The chamber's resistance for the vapour of a spool.

        Parameters
        ----------
        temperature_k : float or ndarray
            Of the chamber [K].
        members : int
            Number of members; the first one has the likely flow.

        Returns
        -------
        ndarray
            Resistance, (members,) [s/m³].

        Raises
        ------
        ValueError
            Unless 0 < low_l_min <= likely_l_min <= high_l_min.
        """
        if self.points is None:
            flow = _flows_l_min(self.low_l_min, self.likely_l_min, self.high_l_min, members)
        else:
            flow = Spread(self.low_l_min, self.likely_l_min, self.high_l_min).at(self.points)
        return self.spools / (flow * M3_S * temperature_k / ROOM_K)


@lru_cache(maxsize=64)
def _flows_l_min(low: float, likely: float, high: float, members: int) -> Array:
    """The flow of each member, (members,) [l/min]."""
    return Spread(low, likely, high).at(further_points(AIR_EXCHANGE, members))
