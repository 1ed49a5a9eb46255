"""The worlds of the trial of the moisture's ranges: by how much the truth differs from the record."""

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from spools.physics.air import ZERO_C, heated_rh
from spools.physics.air_errors import AirErrors
from spools.physics.ensemble import Spread
from spools.physics.surroundings import Surroundings

if TYPE_CHECKING:
    from spools.models import Polymer

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


def draw_believed(rng: np.random.Generator, polymer: "Polymer", errors: AirErrors) -> World:
    """Everything off by as much as the members take it to be. errors: of the dryer."""
    from spools.catalogue.members import HIGH_GAB_C, LOW_GAB_C, PORE_FRACTION
    from spools.physics.isotherm import LEAST_GAB_C

    rh, dryer, shape, pores = rng.standard_normal(4)
    gab_c = None
    if polymer.gab_c is not None:
        spread = Spread(min(LOW_GAB_C, polymer.gab_c), polymer.gab_c, max(HIGH_GAB_C, polymer.gab_c))
        gab_c = max(LEAST_GAB_C, float(spread.at(shape)))
    off = errors.hygrometer_sd * rh, errors.dryer_sd_k * dryer
    return World(*off, gab_c=gab_c, pores=float(PORE_FRACTION.at(pores)))


AT_RANDOM, BELIEVED = "all at random", "as the members draw it"
WORLDS = {
    BELIEVED: World(),
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
