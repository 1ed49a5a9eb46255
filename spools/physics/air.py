"""Moist air: saturation, vapour density, what heating does to the relative humidity."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

R = 8.314462618
"""Gas constant, J/(mol K) (CODATA)."""
M_WATER = 0.01801528
"""Molar mass of water, kg/mol."""
ZERO_C = 273.15

# Hyland and Wexler (1983), ln(p/Pa) over ice (below 0 C) and over water, as printed in the ASHRAE
# Handbook - Fundamentals (2017), chapter 1, equations 5 and 6: T^-1, 1, T, T^2, T^3, T^4, ln T.
_ICE = (
    -5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019,
)  # fmt: skip
_WATER = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 0.0, 6.5459673)


def _hyland_wexler(t: Array, k: tuple[float, ...]) -> Array:
    polynomial = k[1] + t * (k[2] + t * (k[3] + t * (k[4] + t * k[5])))
    return np.exp(k[0] / t + polynomial + k[6] * np.log(t))


def saturation_pressure(temperature_k: ArrayLike) -> Array:
    """Vapour pressure of saturated air, Pa, by Hyland and Wexler (1983); over ice below 0 C.

    Valid from 173 to 473 K.
    """
    t = np.asarray(temperature_k, dtype=float)
    return np.where(t < ZERO_C, _hyland_wexler(t, _ICE), _hyland_wexler(t, _WATER))


def vapour_density(temperature_k: ArrayLike, rh: ArrayLike) -> Array:
    """Water in the air, kg/m3, at a relative humidity of 0..1 (ideal gas)."""
    t = np.asarray(temperature_k, dtype=float)
    return np.asarray(rh, dtype=float) * saturation_pressure(t) * M_WATER / (R * t)


def heated_rh(room_temperature_k: ArrayLike, room_rh: ArrayLike, dryer_temperature_k: ArrayLike) -> Array:
    """Relative humidity, 0..1, of room air heated in a vented dryer: its vapour pressure stays.

    Cooling below the dew point gives saturated air, 1.
    """
    pressure = np.asarray(room_rh, dtype=float) * saturation_pressure(room_temperature_k)
    return np.minimum(1.0, pressure / saturation_pressure(dryer_temperature_k))


def vapour_diffusivity(temperature_k: ArrayLike) -> Array:
    """Diffusivity of water vapour in air at 1 atm, m2/s. Massman (1998), Atmos. Environ. 32, 1111."""
    return 2.178e-5 * (np.asarray(temperature_k, dtype=float) / ZERO_C) ** 1.81
