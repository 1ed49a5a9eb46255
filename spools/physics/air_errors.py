"""How far the true air may be off the recorded one, for each member of an ensemble.

A hygrometer is off by much the same all the time, so its offset is one number of the members. A dryer has one more:
how far it is off its set point. How well it exchanges its air is drawn by chamber.py.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from .air import ZERO_C, Array, saturation_pressure
from .ensemble import Members

# Of a cheap hygrometer that nobody checked: four of five are within the 5 % RH of its data sheet, also after years, in
# which it ages by 1 % RH each. Common practice, no source.
HYGROMETER_SD = 0.04
# After a salt check, which is good to 1 % RH and shows the error at 75 % RH alone. Common practice, no source.
CHECKED_HYGROMETER_SD = 0.015
# The air that a dryer takes in, where its temperature is not at hand.
ROOM_K = 22.0 + ZERO_C
DRIEST, WETTEST = 1e-4, 0.999
COLDEST_K, HOTTEST_K = ZERO_C - 100, ZERO_C + 200


class AirErrors(NamedTuple):
    """The numbers of the members that say how far an air is off.

    hygrometer: the name of its offset; hygrometer_sd: of that [0..1]. dryer: names a dryer that heats this air, "dryer #n", else
    ""; dryers share their draws (ensemble.Members). dryer_sd_k: of its temperature [K]. is_no_hotter: a plan's, which does
    not count on a dryer that is hotter than its set point; so a better-known dryer never takes longer.
    """

    hygrometer: str
    hygrometer_sd: float = HYGROMETER_SD
    dryer: str = ""
    dryer_sd_k: float = 0.0
    is_no_hotter: bool = False

    @property
    def names(self) -> tuple[str, ...]:
        """Of all its numbers."""
        named = ((self.hygrometer, self.hygrometer_sd), (self.dryer, self.dryer_sd_k))
        return tuple(name for name, sd in named if name and sd)


# Of a place that is not named, as each cheap hygrometer may be.
UNKNOWN_PLACE = AirErrors("hygrometer")


def true_air(
    temperature_k: float | Array, rh: float | Array, errors: AirErrors, members: Members
) -> tuple[float | Array, float | Array]:
    """The air that each member takes as the true one.

    Parameters
    ----------
    temperature_k, rh : float or ndarray
        The recorded air [K], [0..1]; heated in a dryer, where one is named.
    errors : AirErrors
        How far it may be off.
    members : Members
        The members.

    Returns
    -------
    float or ndarray
        Temperature [K], (members,) in a dryer.
    float or ndarray
        Relative humidity [0..1], (members,) where it may be off.
    """
    if not isinstance(temperature_k, np.ndarray) and not isinstance(rh, np.ndarray):
        # Forecasts ask for the same air of a place again and again.
        return _true_constant_air(float(temperature_k), float(rh), errors, members)
    return _shift(temperature_k, rh, errors, members)


@lru_cache(maxsize=1024)
def _true_constant_air(
    temperature_k: float, rh: float, errors: AirErrors, members: Members
) -> tuple[float | Array, float | Array]:
    true_k, true_rh = _shift(temperature_k, rh, errors, members)
    for values in (true_k, true_rh):
        if isinstance(values, np.ndarray):
            values.flags.writeable = False
    return true_k, true_rh


def _shift(
    temperature_k: float | Array, rh: float | Array, errors: AirErrors, members: Members
) -> tuple[float | Array, float | Array]:
    offset = errors.hygrometer_sd * members.point(errors.hygrometer) if errors.hygrometer_sd else 0.0
    if not errors.dryer or not (errors.dryer_sd_k or errors.hygrometer_sd):
        return temperature_k, np.clip(rh + offset, DRIEST, WETTEST) if errors.hygrometer_sd else rh
    true_k = temperature_k
    if errors.dryer_sd_k:
        off_k = errors.dryer_sd_k * members.point(errors.dryer)
        off_k = np.minimum(off_k, 0.0) if errors.is_no_hotter else off_k
        true_k = np.clip(temperature_k + off_k, COLDEST_K, HOTTEST_K)
    # The hygrometer is in the room, whose air the dryer heats.
    pressure = rh * saturation_pressure(temperature_k) + offset * saturation_pressure(ROOM_K)
    return true_k, np.clip(pressure / saturation_pressure(true_k), DRIEST, WETTEST)
