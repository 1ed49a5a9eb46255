"""The worlds of the trial of the moisture's ranges: by how much the truth differs from the record."""

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from spools.physics.air import ZERO_C, heated_rh
from spools.physics.surroundings import Surroundings

ROOM_K = 22 + ZERO_C


class World(NamedTuple):
    """By how much the truth differs from the record.

    rh: true humidity less that of the hygrometer [0..1]. dryer_k: true temperature less the set point. vapour: in the
    air that comes into the dryer, over that of the room. gab_c: of the isotherm at 23 °C, None for the catalogue's;
    heat_share: of the heat of its first layer. pores: their fraction.
    """

    rh: float = 0.0
    dryer_k: float = 0.0
    vapour: float = 1.0
    gab_c: float | None = None
    heat_share: float = 1.0
    pores: float = 0.3

    def surround(self, air: Surroundings) -> Surroundings:
        """The true air. In this trial air moves in the dryer alone."""
        ends = np.array([air.rh, air.later_rh]) + self.rh
        kelvin = air.temperature_k
        if air.moving_air:
            kelvin = air.temperature_k + self.dryer_k
            room = heated_rh(air.temperature_k, air.rh, ROOM_K) + self.rh
            ends = np.full(2, self.vapour * float(heated_rh(ROOM_K, room, kelvin)))
        rh, end_rh = np.clip(ends, 0.001, 0.99).tolist()
        known = replace(air, temperature_k=kelvin, end_temperature_k=kelvin, errors=None)
        return replace(known, rh=rh, end_rh=end_rh)


def draw_world(rng: np.random.Generator) -> World:
    """Everything off at random."""
    gab_c = float(np.exp(rng.uniform(0, np.log(20))))
    off = rng.normal(0, 0.03), rng.normal(0, 3), rng.uniform(1, 2)
    return World(*off, gab_c=gab_c, pores=rng.uniform(0.22, 0.40))


AT_RANDOM = "all at random"
WORLDS = {
    "as recorded": World(),
    "RH + 5 %": World(rh=0.05),
    "RH - 5 %": World(rh=-0.05),
    "dryer 5 K cooler": World(dryer_k=-5.0),
    "dryer air twice as humid": World(vapour=2.0),
    "GAB C = 1": World(gab_c=1.0),
    "GAB C = 20": World(gab_c=20.0),
    "GAB C = 20 at any temperature": World(gab_c=20.0, heat_share=0.0),
    AT_RANDOM: World(),
}
