"""Sorption isotherms: the water content of a polymer in equilibrium with air.

Every isotherm is given by its uptake at 50 % RH and 23 °C, so that one number carries the spread between grades;
kind, c and k only give its shape. Temperature acts through the relative humidity alone, but for GAB: the first layer
of water is bound more strongly than liquid water is, so at a given humidity a hot polymer holds less of it,

    c(T) = c exp(heat / R (1 / T - 1 / 296.15 K)).

References
----------
[1] van den Berg, C. and Bruin, S. (1981), in Water Activity: Influences on Food Quality (GAB equation).
[2] Flory, P. J. (1953), Principles of Polymer Chemistry, ch. 12-13.
[3] Morton, W. E. and Hearle, J. W. S. (2008), Physical Properties of Textile Fibres, ch. 8.
[4] Broudin, M. et al. (2015), Moisture sorption in polyamide 6.6: experimental investigation and comparison to four
    physical-based models, Polymer Testing 43 (sorption from 25 to 80 °C).
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from .air import GAS_CONSTANT, Array
from .filament import REFERENCE_K
from .kernels import kernel

WATER_DENSITY = 997.0  # kg/m³ at 25 °C
KINDS = ("henry", "gab", "flory-huggins")
LEAST_GAB_C = 1.0
# Of the first layer of water in a polyamide, over that of liquid water: 1.05 kJ/g at zero regain, from memory. Cellulose
# has 1.25 kJ/g, and nylon nearly as much as wool [3, section 8.3]. The isotherm then gives 23 J/g from dry to wet, where
# the heat of wetting of nylon is 31 [3, table 8.1]: the layers after the first have some, too. In PA66 temperature acts
# at the dry end above all [4].
POLYAMIDE_HEAT_J_MOL = 19e3
# Flory-Huggins has no closed inverse; Newton's steps reach it to the last bits in about five, slower where the curve is flat.
_NEWTON_STEPS, _NEWTON_ENOUGH = 60, 1e-15


@dataclass(frozen=True)
class Isotherm:
    """An isotherm, or one per member of an ensemble.

    Attributes
    ----------
    kind: "henry" (straight), "gab" [1] or "flory-huggins" [2].
    w50: uptake at 50 % RH and 23 °C, scalar or (members,) [kg/kg].
    c, k: GAB's shape at 23 °C; w50 scales it. PA6: c 4.60, k 0.768. c >= 1 and 0 < k < 1.
    density_kg_m3: of the dry polymer, used by Flory-Huggins only.
    heat_j_mol: of the first layer of GAB, over that of liquid water; c does not fall below 1.

    Raises ValueError where a value is out of range.
    """

    kind: str
    w50: float | Array
    c: float | Array = 1.0
    k: float | Array = 0.5
    density_kg_m3: float | Array = 1200.0
    heat_j_mol: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"kind is {self.kind!r}; give one of {', '.join(KINDS)}.")
        if not np.all(np.isfinite(self.w50)) or np.any(np.asarray(self.w50) <= 0):
            raise ValueError("w50 is the uptake at 50 % RH; give a number above 0.")
        if self.kind == "gab":
            c, k = np.asarray(self.c, dtype=float), np.asarray(self.k, dtype=float)
            if not (np.all(c >= LEAST_GAB_C) and np.all((k > 0) & (k < 1))):
                raise ValueError("The GAB shape needs c of at least 1 and k between 0 and 1.")

    @property
    def curved(self) -> bool:
        return self.kind != "henry"

    def equilibrium(self, rh: ArrayLike, temperature_k: ArrayLike = REFERENCE_K) -> Array:
        """Water content in equilibrium with air.

        Parameters
        ----------
        rh : array_like
            Relative humidity [0..1]; the last axis goes with the members.
        temperature_k : array_like
            Of the polymer [K]; it matters for GAB with a heat.

        Returns
        -------
        ndarray
            Content [kg/kg].
        """
        rh = np.asarray(rh, dtype=float)
        if self.kind == "henry":
            return rh / 0.5 * self.w50
        if self.kind == "gab":
            return self._monolayer * self._gab(rh, self._inverse_c(temperature_k))
        return self._content(_fraction(rh, self._chi, self._wettest_fraction()))

    def equilibrium_at(self, rh: float, temperature_k: float = REFERENCE_K) -> Array:
        """equilibrium() in one air, kept: forecasts of a spool share their air. Do not change the array."""
        if (rh, temperature_k) not in self._equilibria:
            self._equilibria[rh, temperature_k] = self.equilibrium(rh, temperature_k)
        return self._equilibria[rh, temperature_k]

    @cached_property
    def _equilibria(self) -> dict[tuple[float, float], Array]:
        return {}

    def slope(self, rh: ArrayLike) -> Array:
        """Derivative of the equilibrium content at 23 °C, dw/dRH.

        Parameters
        ----------
        rh : array_like
            Relative humidity [0..1].

        Returns
        -------
        ndarray
            Slope [kg/kg per unit of RH].
        """
        return 1.0 / self.rh_and_slope(self.equilibrium(rh))[1]

    def rh_of(self, w: ArrayLike, temperature_k: ArrayLike = REFERENCE_K) -> Array:
        """Relative humidity of air in equilibrium with a water content.

        Parameters
        ----------
        w : array_like
            Content [kg/kg].
        temperature_k : array_like
            Of the polymer [K].

        Returns
        -------
        ndarray
            Relative humidity [0..1].
        """
        return self.rh_and_slope(w, temperature_k)[0]

    def rh_and_slope(self, w: ArrayLike, temperature_k: ArrayLike = REFERENCE_K) -> tuple[Array, Array]:
        """Relative humidity over a water content, and its derivative dRH/dw.

        Both continue as a straight line below 0, where a solver's iterates may stray, and above saturation, where
        cold turns get in warm humid air.

        Parameters
        ----------
        w : array_like
            Content [kg/kg].
        temperature_k : array_like
            Of the polymer [K].

        Returns
        -------
        ndarray
            Relative humidity [0..1].
        ndarray
            Derivative [per kg/kg].
        """
        w = np.asarray(w, dtype=float)
        if self.kind == "henry":
            slope = 0.5 / np.asarray(self.w50, dtype=float)
            return w * slope, np.broadcast_to(slope, np.broadcast_shapes(w.shape, slope.shape))
        inside = np.clip(w, 0.0, self.saturated)
        if self.kind == "gab":
            rh, slope = gab_inverse(inside, *self._gab_numbers(self._inverse_c(temperature_k)))
        else:
            rh, slope = flory_inverse(inside, self._density_ratio(), self._chi)
        return rh + slope * (w - inside), slope

    @cached_property
    def saturated(self) -> Array:
        """Water content at 100 % RH and 23 °C, scalar or (members,) [kg/kg]."""
        return self.equilibrium(1.0)

    @cached_property
    def inverse(self) -> tuple[Array, ...]:
        """The numbers that RH over a content is computed from, each scalar or (members,).

        Henry: the slope; GAB: p, q, r in a / w = p a² + q a + r, at 23 °C; Flory-Huggins: density ratio and chi.
        """
        if self.kind == "henry":
            return (0.5 / np.asarray(self.w50, dtype=float),)
        if self.kind == "gab":
            return self._gab_numbers(1 / np.asarray(self.c, dtype=float))
        return self._density_ratio(), self._chi

    def _gab_numbers(self, inverse_c: Array) -> tuple[Array, Array, Array]:
        k = np.asarray(self.k, dtype=float)
        return (
            k / self._monolayer * (inverse_c - 1),
            (1 - 2 * inverse_c) / self._monolayer,
            inverse_c / (self._monolayer * k),
        )

    @cached_property
    def _monolayer(self) -> Array:
        """GAB's first layer, full, [kg/kg]."""
        return self.w50 / self._gab(np.asarray(0.5), 1 / np.asarray(self.c, dtype=float))

    def _inverse_c(self, temperature_k: ArrayLike) -> Array:
        """1 / c at a temperature."""
        colder = 1 / REFERENCE_K - 1 / np.asarray(temperature_k, dtype=float)
        looser = np.exp(self.heat_j_mol / GAS_CONSTANT * colder)
        return np.minimum(looser / np.asarray(self.c, dtype=float), 1 / LEAST_GAB_C)

    def _gab(self, rh: Array, inverse_c: Array) -> Array:
        """Uptake over that of the full first layer."""
        ka = np.asarray(self.k) * rh
        return ka / ((1 - ka) * (inverse_c * (1 - ka) + ka))

    # Flory-Huggins in phi, the volume fraction of water: ln a = ln phi + (1 - phi) + chi (1 - phi)².

    def _density_ratio(self) -> Array:
        return np.asarray(self.density_kg_m3, dtype=float) / WATER_DENSITY

    @cached_property
    def _chi(self) -> Array:
        phi = self.w50 * self._density_ratio()
        phi = phi / (1 + phi)
        return (np.log(0.5 / phi) - (1 - phi)) / (1 - phi) ** 2

    def _content(self, phi: Array) -> Array:
        return phi / (1 - phi) / self._density_ratio()

    def _wettest_fraction(self) -> Array:
        # The curve rises up to phi = 1 / (2 chi), where a is above 1.
        return np.minimum(1.0, 1 / (2 * np.maximum(self._chi, 0.5)))


def gab_k(c: ArrayLike, likely_c: float, likely_k: float) -> Array:
    """The k of another GAB shape that has the same uptake at 50 and at 70 % RH.

    Measured points lie in that range. A fit of c to them runs from 1 to 20 and more with the choice of points,
    and leaves the dry end open (fixtures/reference/sorption_values.csv).

    Parameters
    ----------
    c : array_like
        The c of the other shapes, at least 1.
    likely_c, likely_k : float
        The shape whose uptake they share.

    Returns
    -------
    ndarray
        The k of each, same shape as ``c``.
    """

    def bound(rh: float) -> float:
        free = 1 - likely_k * rh
        return free * (free + likely_c * likely_k * rh)

    # Uptake at 70 % over that at 50 %, without the ratio of the humidities; it gives a quadratic equation for k.
    ratio = bound(0.5) / bound(0.7)
    c = np.asarray(c, dtype=float)
    linear, square = (0.5 - 0.7 * ratio) * (c - 2), (0.49 * ratio - 0.25) * (c - 1)
    return 2 * (ratio - 1) / (linear + np.sqrt(linear * linear + 4 * square * (ratio - 1)))


def _fraction(rh: Array, chi: Array, wettest: Array) -> Array:
    """The volume fraction of water at a humidity by Flory-Huggins."""
    shape = np.broadcast_shapes(rh.shape, np.shape(chi))
    each = [np.ascontiguousarray(np.broadcast_to(values, shape)).ravel() for values in (rh, chi, wettest)]
    return _fraction_each(*each).reshape(shape)


@kernel
def _fraction_each(rh: Array, chi: Array, wettest: Array) -> Array:
    fractions = np.zeros_like(rh)
    for i in range(len(rh)):
        if rh[i] <= 0:
            continue
        wanted = np.log(rh[i])
        # ln a is concave up to the wettest fraction, so from below Newton's steps never pass the solution.
        phi = min(rh[i] * np.exp(-1 - max(chi[i], 0.0)), wettest[i])
        for _ in range(_NEWTON_STEPS):
            dry = 1 - phi
            short = wanted - np.log(phi) - dry - chi[i] * dry * dry
            after = min(phi + short / (dry * (1 / phi - 2 * chi[i])), wettest[i])
            if not after - phi > _NEWTON_ENOUGH * phi:
                break
            phi = after
        fractions[i] = phi
    return fractions


def gab_inverse(w: Array, p: Array, q: Array, r: Array) -> tuple[Array, Array]:
    """Relative humidity over a content by GAB; compiled, it takes single numbers.

    Parameters
    ----------
    w : ndarray or float
        Content [kg/kg].
    p, q, r : ndarray or float
        The numbers of Isotherm.inverse.

    Returns
    -------
    ndarray or float
        Relative humidity [0..1].
    ndarray or float
        dRH/dw.
    """
    # Of the two roots, the one that is 0 at w = 0.
    unbound = 1 - q * w
    root = np.sqrt(unbound * unbound - 4 * p * r * w * w)
    rh = 2 * r * w / (unbound + root)
    return rh, (r + rh * (q + p * rh)) / root


def flory_inverse(
    w: Array, ratio: Array, chi: Array, exp: Callable[[Array], Array] = np.exp
) -> tuple[Array, Array]:
    """Relative humidity over a content by Flory-Huggins; compiled, it takes single numbers.

    Parameters
    ----------
    w : ndarray or float
        Content [kg/kg].
    ratio, chi : ndarray or float
        The numbers of Isotherm.inverse.
    exp : callable
        The exponential function.

    Returns
    -------
    ndarray or float
        Relative humidity [0..1].
    ndarray or float
        dRH/dw.
    """
    volume = w * ratio
    dry = 1 / (1 + volume)
    factor = exp(dry + chi * dry * dry)
    # da/dw = da/dphi dphi/dw, with dphi/dw = ratio dry².
    phi = volume * dry
    return phi * factor, factor * (1 - phi * (1 + 2 * chi * dry)) * ratio * dry * dry
