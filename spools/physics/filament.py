"""One filament: radial diffusion in a long cylinder, kept as a few exact modes.

Crank, The Mathematics of Diffusion (1975), chapter 5. With alpha_n the zeros of J0, radius a:

    mean w = w_surface - sum_n (4/alpha_n^2) u_n,    du_n/dt = -(D alpha_n^2/a^2) u_n + d(w_surface)/dt

What a cut-off after N modes leaves of sum 4/alpha_n^2 = 1 follows the surface at once.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import jn_zeros

from .air import R

Array = NDArray[np.float64]

MODES = 6
"""Kept by the winding: 96 % of the sum 4/alpha_n^2; the rest follows the surface at once."""
T_REFERENCE_K = 296.15
ALPHA = jn_zeros(0, MODES)
WEIGHT = 4 / ALPHA**2


def diffusivity(d23_m2_s: ArrayLike, e_d_j_mol: ArrayLike, temperature_k: ArrayLike) -> Array:
    """D(T) in m2/s: Arrhenius around 23 C."""
    inverse = 1 / np.asarray(temperature_k, dtype=float) - 1 / T_REFERENCE_K
    return np.asarray(d23_m2_s, dtype=float) * np.exp(-np.asarray(e_d_j_mol, dtype=float) / R * inverse)


def uptake(tau: ArrayLike, terms: int = 1000) -> Array:
    """M_t/M_inf of a cylinder after a step of its surface, tau = D t/a^2. Crank (1975), eq. 5.23.

    Below tau = 1e-4 the series would need more terms; the short-time form 4 sqrt(tau/pi) - tau serves.
    """
    tau = np.asarray(tau, dtype=float)
    alpha2 = jn_zeros(0, terms) ** 2
    series = 1 - np.sum(4 / alpha2 * np.exp(-alpha2 * tau[..., None]), axis=-1)
    return np.where(tau < 1e-4, 4 * np.sqrt(tau / np.pi) - tau, series)


def step_factors(rate: Array) -> tuple[Array, Array]:
    """For x = D alpha^2 h/a^2: exp(-x), and (1 - exp(-x))/x, the share of a linear change that remains."""
    decay = np.exp(-rate)
    return decay, np.where(rate > 1e-12, -np.expm1(-rate) / np.where(rate > 1e-12, rate, 1.0), 1.0)
