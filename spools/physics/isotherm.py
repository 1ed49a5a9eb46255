"""Sorption isotherms: the water a polymer holds in equilibrium with air of a relative humidity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

HENRY, GAB, FLORY_HUGGINS = "henry", "gab", "flory-huggins"
KINDS = (HENRY, GAB, FLORY_HUGGINS)
RHO_WATER = 997.0
"""kg/m3 at 23 C (from memory, handbook value)."""


def _gab_shape(rh: Array, c: float, k: float) -> Array:
    a = k * rh
    return c * a / ((1 - a) * (1 - a + c * a))


@dataclass(frozen=True)
class Isotherm:
    """w(RH) of one polymer, scaled so that w(0.5) is ``w50`` (kg water per kg dry polymer).

    w50 may be an array over members. ``c`` and ``k`` belong to GAB (Guggenheim, Anderson, de Boer);
    ``polymer_density_kg_m3`` to Flory-Huggins, whose interaction parameter follows from w50.
    Raises ValueError on an unknown kind or values out of range.
    """

    kind: str
    w50: ArrayLike
    c: float = 0.0
    k: float = 0.0
    polymer_density_kg_m3: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"kind: {self.kind!r} is none of {', '.join(KINDS)}")
        if np.any(np.asarray(self.w50) <= 0):
            raise ValueError("w50: must be above zero")
        if self.kind == GAB and not (self.c > 0 and 0 < self.k < 1):
            raise ValueError("c, k: GAB needs c above 0 and k between 0 and 1")
        if self.kind == FLORY_HUGGINS and self.polymer_density_kg_m3 <= 0:
            raise ValueError("polymer_density_kg_m3: Flory-Huggins needs the density of the dry polymer")

    def equilibrium(self, rh: ArrayLike) -> Array:
        """Water content in equilibrium with air of ``rh`` (0..1), kg/kg dry polymer."""
        rh = np.asarray(rh, dtype=float)
        w50 = np.asarray(self.w50, dtype=float)
        if self.kind == HENRY:
            return w50 * rh / 0.5
        if self.kind == GAB:
            return w50 * _gab_shape(rh, self.c, self.k) / _gab_shape(np.asarray(0.5), self.c, self.k)
        return self._flory_huggins_equilibrium(rh)

    def rh_of(self, w: ArrayLike) -> Array:
        """The inverse: relative humidity (0..1) of air in equilibrium with a water content."""
        return self.rh_and_slope(w)[0]

    def rh_and_slope(self, w: ArrayLike) -> tuple[Array, Array]:
        """rh_of(w) and its derivative d(rh)/dw."""
        w = np.asarray(w, dtype=float)
        w50 = np.asarray(self.w50, dtype=float)
        if self.kind == HENRY:
            slope = 0.5 / w50
            return w * slope, np.broadcast_to(slope, np.broadcast_shapes(w.shape, w50.shape))
        if self.kind == GAB:
            per_w = _gab_shape(np.asarray(0.5), self.c, self.k) / w50
            s = w * per_w
            # s ((c-1) a^2 - (c-2) a - 1) + c a = 0 for a = k rh, in the form that does not cancel.
            quadratic, linear = s * (self.c - 1), self.c - s * (self.c - 2)
            a = 2 * s / (linear + np.sqrt(linear**2 + 4 * quadratic * s))
            da_ds = (1 + (self.c - 2) * a - (self.c - 1) * a**2) / (2 * quadratic * a + linear)
            return a / self.k, da_ds * per_w / self.k
        chi = self._chi()
        ratio = self.polymer_density_kg_m3 / RHO_WATER
        phi = ratio * w / (1 + ratio * w)
        rh = phi * np.exp((1 - phi) + chi * (1 - phi) ** 2)
        # d(ln rh)/d(phi), times phi: finite at phi = 0.
        by_phi = np.exp((1 - phi) + chi * (1 - phi) ** 2) * (1 - phi - 2 * chi * phi * (1 - phi))
        return rh, by_phi * ratio / (1 + ratio * w) ** 2

    def _chi(self) -> Array:
        """Flory-Huggins interaction parameter that gives w50 at half humidity."""
        ratio = self.polymer_density_kg_m3 / RHO_WATER * np.asarray(self.w50, dtype=float)
        phi = ratio / (1 + ratio)
        return (np.log(0.5 / phi) - (1 - phi)) / (1 - phi) ** 2

    def _flory_huggins_equilibrium(self, rh: Array) -> Array:
        """Bisection in the water content: d(rh)/dw is positive up to saturation."""
        shape = np.broadcast_shapes(rh.shape, np.shape(self.w50))
        low = np.zeros(shape)
        high = np.full(shape, 1e-3)
        for _ in range(20):
            high = np.where(self.rh_of(high) < rh, 2 * high, high)
        for _ in range(60):
            middle = (low + high) / 2
            below = self.rh_of(middle) < rh
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return (low + high) / 2
