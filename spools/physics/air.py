"""Moist air: saturation pressure, vapour density, heating at constant vapour pressure, diffusivity.

References
----------
[1] Hyland, R. W. and Wexler, A. (1983), ASHRAE Trans. 89(2A), 500-519; as printed in ASHRAE Handbook of
    Fundamentals 2017, ch. 1, eqs. 5 and 6.
[2] Massman, W. J. (1998), Atmospheric Environment 32, 1111-1127.
[3] Greenspan, L. (1977), Humidity fixed points of binary saturated aqueous solutions, J. Res. Natl. Bur. Stand. 81A,
    89-96, doi 10.6028/jres.081A.011: table 2, sodium chloride, 0 to 80 °C, ±0.1 to 0.7 % RH.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

GAS_CONSTANT = 8.314462618  # J/mol/K
MOLAR_MASS_WATER = 0.01801528  # kg/mol
ZERO_C = 273.15  # K

Array = NDArray[np.float64]

# [1]: ln p = c[0]/T + c[1] + c[2] T + c[3] T^2 + c[4] T^3 + c[5] T^4 + c[6] ln T
OVER_ICE = (-5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019)
OVER_WATER = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 0.0, 6.5459673)

# [3]: % RH over saturated sodium chloride, powers of the temperature in °C.
TABLE_SALT = (75.5164, 0.0398321, -0.265459e-2, 0.2848e-4)


def saturation_pressure(temperature_k: ArrayLike) -> Array:
    """Pressure of saturated water vapour, over ice below 0 °C, after Hyland and Wexler [1].

    Parameters
    ----------
    temperature_k : array_like
        Temperature [K], any shape, valid from 173 to 473 K.

    Returns
    -------
    ndarray
        Pressure [Pa], same shape.
    """
    t = np.asarray(temperature_k, dtype=float)
    return np.where(t < ZERO_C, vapour_pressure_fit(t, OVER_ICE), vapour_pressure_fit(t, OVER_WATER))


def vapour_pressure_fit(t: Array, c: tuple[float, ...]) -> Array:
    """The fit of Hyland and Wexler [1] with its coefficients; compiled, it takes single numbers.

    Parameters
    ----------
    t : ndarray or float
        Temperature [K].
    c : tuple of float
        OVER_ICE or OVER_WATER.

    Returns
    -------
    ndarray or float
        Pressure [Pa].
    """
    polynomial = c[1] + t * (c[2] + t * (c[3] + t * (c[4] + t * c[5])))
    return np.exp(c[0] / t + polynomial + c[6] * np.log(t))


def saturation_density(temperature_k: ArrayLike) -> Array:
    """Density of saturated water vapour as an ideal gas.

    Parameters
    ----------
    temperature_k : array_like
        Temperature [K], any shape.

    Returns
    -------
    ndarray
        Density [kg/m³], same shape.
    """
    t = np.asarray(temperature_k, dtype=float)
    return saturation_pressure(t) * (MOLAR_MASS_WATER / GAS_CONSTANT) / t


def vapour_density(temperature_k: ArrayLike, rh: ArrayLike) -> Array:
    """Density of water vapour in air.

    Parameters
    ----------
    temperature_k : array_like
        Temperature [K], any shape.
    rh : array_like
        Relative humidity [0..1], broadcast with the temperature.

    Returns
    -------
    ndarray
        Density [kg/m³].
    """
    return np.asarray(rh) * saturation_density(temperature_k)


def heated_rh(room_temperature_k: ArrayLike, room_rh: ArrayLike, dryer_temperature_k: ArrayLike) -> Array:
    """Relative humidity of room air after heating in a vented dryer, at constant vapour pressure.

    Parameters
    ----------
    room_temperature_k : array_like
        Temperature of the room [K].
    room_rh : array_like
        Relative humidity of the room [0..1].
    dryer_temperature_k : array_like
        Temperature in the dryer [K].

    Returns
    -------
    ndarray
        Relative humidity in the dryer [0..1]; 1 at most, where the dryer is colder than the room.
    """
    vapour = np.asarray(room_rh) * saturation_pressure(room_temperature_k)
    return np.minimum(1.0, vapour / saturation_pressure(dryer_temperature_k))


def vapour_diffusivity(temperature_k: ArrayLike) -> Array:
    """Diffusivity of water vapour in air at one atmosphere after Massman [2].

    Parameters
    ----------
    temperature_k : array_like
        Temperature [K], any shape.

    Returns
    -------
    ndarray
        Diffusivity [m²/s], same shape.
    """
    return 2.178e-5 * (np.asarray(temperature_k, dtype=float) / ZERO_C) ** 1.81


def table_salt_rh(temperature_k: ArrayLike) -> Array:
    """Relative humidity of closed air over wet table salt, a saturated solution of sodium chloride, after Greenspan [3].

    Parameters
    ----------
    temperature_k : array_like
        Temperature [K], any shape, valid from 0 to 80 °C.

    Returns
    -------
    ndarray
        Relative humidity [0..1], same shape.
    """
    return np.polynomial.polynomial.polyval(np.asarray(temperature_k, dtype=float) - ZERO_C, TABLE_SALT) / 100
