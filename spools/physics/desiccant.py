"""The water that a desiccant holds in equilibrium with air, and the residual after regenerating.

Published tables of the loading q against relative humidity, joined by straight lines: rising everywhere, zero
at zero, the table's own numbers at its points. Temperature acts through the relative humidity and, where an
isosteric heat is known, a little more: the same loading then stands over a relative humidity that grows with
temperature as exp(-heat/R_v (1/T - 1/T_table)) (Clausius-Clapeyron).

References
----------
[1] Silica gel "grade 03", J. Chem. Eng. Data, doi 10.1021/je400517c, table 3, adsorption at 20 to 140 °C.
[2] Wang, Y. and LeVan, M. D. (2009), J. Chem. Eng. Data 54, 2839-2844, doi 10.1021/je800900a.
[3] Langmuir (2009), doi 10.1021/la901107s, figure 5.
[4] MIL-D-3464 and DIN 55473: the desiccant unit, 33 g of clay or 26 g of silica gel.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from .air import GAS_CONSTANT, MOLAR_MASS_WATER, Array, saturation_pressure

VAPOUR_GAS_CONSTANT = GAS_CONSTANT / MOLAR_MASS_WATER  # J/kg/K


@dataclass(frozen=True)
class Table:
    """A measured isotherm.

    rh: relative humidities [0..1], 0 first and 1 last; q: loadings there [kg/kg of dry desiccant].
    temperature_k: of the table. excess_heat_j_kg: heat of adsorption above that of condensing [J/kg].
    """

    rh: tuple[float, ...]
    q: tuple[float, ...]
    temperature_k: float
    excess_heat_j_kg: float = 0.0

    def loading(self, rh: ArrayLike, temperature_k: float) -> Array:
        """Water in equilibrium with air.

        Parameters
        ----------
        rh : array_like
            Relative humidity [0..1], any shape.
        temperature_k : float
            Temperature [K].

        Returns
        -------
        ndarray
            Loading [kg water per kg dry desiccant], same shape as ``rh``.
        """
        exponent = self.excess_heat_j_kg / VAPOUR_GAS_CONSTANT * (1 / temperature_k - 1 / self.temperature_k)
        return np.interp(np.asarray(rh, dtype=float) * math.exp(exponent), self.rh, self.q)


@dataclass(frozen=True)
class Toth:
    """Toth's equation as in [2]: q = q_s b p / (1 + (b p)^t)^(1/t), b = b0 exp(e/T), t = t0 + t1/T."""

    q_s: float  # kg/kg
    b0: float  # 1/Pa
    e: float  # K
    t0: float
    t1: float  # K

    def loading(self, rh: ArrayLike, temperature_k: float) -> Array:
        """Water in equilibrium with air.

        Parameters
        ----------
        rh : array_like
            Relative humidity [0..1], any shape.
        temperature_k : float
            Temperature [K].

        Returns
        -------
        ndarray
            Loading [kg water per kg dry desiccant], same shape as ``rh``.
        """
        bp = self.b0 * math.exp(self.e / temperature_k) * np.asarray(rh) * saturation_pressure(temperature_k)
        t = self.t0 + self.t1 / temperature_k
        return self.q_s * bp / (1 + bp**t) ** (1 / t)


@dataclass(frozen=True)
class Desiccant:
    """A kind of desiccant.

    grade: A two sources agree, B one good, C one weak or borrowed. fresh: what a new one holds [kg/kg].
    """

    name: str
    isotherm: Table | Toth
    fresh: float
    grade: str
    source: str

    def loading(self, rh: ArrayLike, temperature_k: float) -> Array:
        """Water in equilibrium with air.

        Parameters
        ----------
        rh : array_like
            Relative humidity [0..1], any shape.
        temperature_k : float
            Temperature [K].

        Returns
        -------
        ndarray
            Loading [kg water per kg dry desiccant], same shape as ``rh``.
        """
        return self.isotherm.loading(rh, temperature_k)

    def residual(self, temperature_k: float, vapour_pressure_pa: float) -> float:
        """Loading that regenerating leaves after enough time.

        Parameters
        ----------
        temperature_k : float
            Temperature of regeneration [K].
        vapour_pressure_pa : float
            Vapour pressure of the air around [Pa].

        Returns
        -------
        float
            Loading [kg/kg].
        """
        rh = min(1.0, vapour_pressure_pa / float(saturation_pressure(temperature_k)))
        return float(self.loading(rh, temperature_k))


# Above the last published point the line goes on with its last slope: extrapolated.
DESICCANTS = {
    "silica_gel": Desiccant(
        "silica gel",
        # The first point is the loading left at 100 °C [1], brought to 20 °C with the same excess heat.
        # Isosteric heats of [1] are 2950 to 2620 kJ/kg, less 2442 for condensing; 450 meets its residuals.
        Table(
            (0, 0.00766, 0.05, 0.10, 0.20, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 1.0),
            (0, 0.0107, 0.0401, 0.0669, 0.1158, 0.1659, 0.2153, 0.2601, 0.2910, 0.3012, 0.3071, 0.3189),
            293.15,
            450e3,
        ),
        fresh=0.03,
        grade="A",
        source="regular density, J. Chem. Eng. Data, doi 10.1021/je400517c, table 3; a second silica gel "
        "(doi 10.1021/je800900a) holds 20 % more at 20 % RH and 5 % less at 50 %; fresh gel: at most 3 % "
        "(a supplier's note)",
    ),
    "molecular_sieve": Desiccant(
        "molecular sieve",
        Toth(0.42268, 4.714e-13, 9955.0, 0.3548, -51.14),
        fresh=0.06,
        grade="C",
        source="zeolite 5A beads stand for 4A, Wang and LeVan 2009, doi 10.1021/je800900a; 3A beads hold "
        "about half; fresh: at most 6 % (a supplier's note)",
    ),
    "alumina": Desiccant(
        "activated alumina",
        Table(
            (0, 0.10, 0.20, 0.30, 0.40, 0.50, 0.60, 0.80, 1.0),
            (0, 0.073, 0.092, 0.114, 0.139, 0.167, 0.205, 0.314, 0.423),
            303.15,
        ),
        fresh=0.03,
        grade="B",
        source="30 °C, Langmuir 2009, doi 10.1021/la901107s, figure 5; fresh: taken as silica gel's, "
        "no source",
    ),
    "clay": Desiccant(
        "clay",
        Table((0, 0.20, 0.40, 1.0), (0, 0.091, 0.182, 0.182), 298.15),
        fresh=0.03,
        grade="C",
        source="a desiccant unit of 33 g holds at least 3 g at 20 % and 6 g at 40 % RH (MIL-D-3464, "
        "DIN 55473); taken to hold no more above that; fresh: taken as silica gel's, no source",
    ),
}


def mass_for(water_kg: float, start: float, end: float) -> float:
    """Dry desiccant that takes up an amount of water while its loading rises.

    The common core of the packaging formulas (JIS Z 0301, DIN 55474, J-STD-033).

    Parameters
    ----------
    water_kg : float
        Water to take up [kg].
    start : float
        Loading at the start [kg/kg].
    end : float
        Loading at the end [kg/kg].

    Returns
    -------
    float
        Mass of dry desiccant [kg]; infinity where the loading cannot rise.
    """
    return water_kg / (end - start) if end > start else math.inf
