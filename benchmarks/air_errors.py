"""How far the true air may be off the recorded one, for each member of an ensemble.

A hygrometer is off by much the same all the time, so its offset is one number of the members. A dryer has two
more: how far it is off its set point, and how well it exchanges its air: the vapour that the spools give off
leaves with the air that the chamber takes in, so its air holds more than the room's.
"""

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from spools.physics.air import ZERO_C, Array, saturation_pressure
from spools.physics.surroundings import Surroundings

from .members import Between, Members

# Four of five cheap hygrometers are within 5 % RH. Common practice, no source.
HYGROMETER_SD = 0.04
# After a check over wet table salt, which shows the error at 75 % RH only. Common practice, no source.
CHECKED_HYGROMETER_SD = 0.02
# Vapour in the chamber over that in the air that it takes in. Common practice, no source.
DRYER_VAPOUR = Between(1.0, 1.1, 2.0)
# The air that a dryer takes in, where its temperature is not at hand.
ROOM_K = 22.0 + ZERO_C
DRIEST, WETTEST = 1e-4, 0.999


class AirErrors(NamedTuple):
    """The numbers of the members that say how far an air is off.

    hygrometer: the name of its offset; hygrometer_sd: of that [0..1]. dryer: names a dryer, else ""; dryer_sd_k: of its
    temperature [K].
    """

    hygrometer: str = "hygrometer"
    hygrometer_sd: float = HYGROMETER_SD
    dryer: str = ""
    dryer_sd_k: float = 0.0

    @property
    def names(self) -> tuple[str, ...]:
        """Of all its numbers."""
        return (self.hygrometer, *self._of_dryer()) if self.dryer else (self.hygrometer,)

    def _of_dryer(self) -> tuple[str, str]:
        return f"{self.dryer} temperature", f"{self.dryer} vapour"

    def offset(self, members: Members) -> Array:
        """Of the hygrometer: true humidity less the recorded one, (members,) [0..1]."""
        return self.hygrometer_sd * members.point(self.hygrometer)

    def heating(self, members: Members) -> tuple[Array, Array]:
        """How far a dryer is off its set point [K], and its vapour over that of the room, (members,) each."""
        temperature, vapour = self._of_dryer()
        return self.dryer_sd_k * members.point(temperature), DRYER_VAPOUR.at(members.point(vapour))


def true_air(
    temperature_k: float | Array, rh: float | Array, errors: AirErrors, members: Members
) -> tuple[float | Array, Array]:
    """The air that each member takes as the true one.

    Parameters
    ----------
    temperature_k, rh : float or ndarray
        The recorded air [K], [0..1].
    errors : AirErrors
        How far it may be off.
    members : Members
        The members.

    Returns
    -------
    float or ndarray
        Temperature [K], (members,) in a dryer.
    ndarray
        Relative humidity [0..1], (members,).
    """
    offset = errors.offset(members)
    if not errors.dryer:
        return temperature_k, np.clip(rh + offset, DRIEST, WETTEST)
    off_k, vapour = errors.heating(members)
    true_k = temperature_k + off_k
    pressure = rh * saturation_pressure(temperature_k) + offset * saturation_pressure(ROOM_K)
    return true_k, np.clip(vapour * pressure / saturation_pressure(true_k), DRIEST, WETTEST)


def spread_air(air: Surroundings, errors: AirErrors, members: Members) -> Surroundings:
    """The air that each member takes as the true one: its values become (members,).

    Parameters
    ----------
    air : Surroundings
        The recorded air.
    errors : AirErrors
        How far it may be off.
    members : Members
        The members of an ensemble.

    Returns
    -------
    Surroundings
        The same stretch.
    """
    kelvin, rh = true_air(air.temperature_k, air.rh, errors, members)
    if air.end_rh is None and air.end_temperature_k is None:
        return replace(air, temperature_k=kelvin, rh=rh)
    end_kelvin, end_rh = true_air(air.later_temperature_k, air.later_rh, errors, members)
    return replace(air, temperature_k=kelvin, rh=rh, end_temperature_k=end_kelvin, end_rh=end_rh)
