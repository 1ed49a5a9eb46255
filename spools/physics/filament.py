"""One filament: Fickian diffusion in a long cylinder, exactly, and as a short memory.

With the zeros alpha_n of J0, the mean water content under a surface that follows w_s(t) is a weighted mean
of contents v_n, each of which relaxes to the surface at its own rate [1]:

    mean w = sum_n g_n v_n,   dv_n/dt = (D / a²) alpha_n² (w_s - v_n),   g_n = 4 / alpha_n²,  sum g_n = 1.

(With u_n = w_s - v_n this is the usual form mean w = w_s - sum_n g_n u_n.) A spool's memory keeps the first
contents as they are and lumps the quicker ones: a group has the weight of its terms together and their mean
lag, so that nothing is lost in the long run. The part beyond the groups follows the surface at once.

References
----------
[1] Crank, J. (1975), The Mathematics of Diffusion, 2nd ed., ch. 5, eq. 5.23.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import jn_zeros

from .air import GAS_CONSTANT, Array

REFERENCE_K = 296.15  # 23 °C, the temperature that D23 is stated at
# Terms (first, one past the last) lumped together. The response to a step is off by at most 0.65 % of it,
# from 1e-4 a²/D on by 0.4 %.
GROUPS = ((0, 1), (1, 2), (2, 5), (5, 12), (12, 62))


def _grouped() -> tuple[Array, Array]:
    zeros = jn_zeros(0, GROUPS[-1][1])
    g, rate = 4 / zeros**2, zeros**2
    weights = np.array([g[a:b].sum() for a, b in GROUPS])
    lags = np.array([(g[a:b] / rate[a:b]).sum() for a, b in GROUPS])
    return np.concatenate([[1 - weights.sum()], weights]), weights / lags


# WEIGHTS (parts,): of the surface itself, then of each content; they sum to 1.
# RATES (parts - 1,): of each content, in units of D / a².
WEIGHTS, RATES = _grouped()
PARTS = len(WEIGHTS)


def diffusivity(d23_m2_s: ArrayLike, e_d_j_mol: ArrayLike, temperature_k: ArrayLike) -> Array:
    """Diffusivity of water in a polymer after Arrhenius. Shapes broadcast.

    Parameters
    ----------
    d23_m2_s : array_like
        Diffusivity at 23 °C [m²/s].
    e_d_j_mol : array_like
        Activation energy [J/mol].
    temperature_k : array_like
        Temperature [K].

    Returns
    -------
    ndarray
        Diffusivity [m²/s].
    """
    inverse = 1 / np.asarray(temperature_k, dtype=float) - 1 / REFERENCE_K
    return np.asarray(d23_m2_s) * np.exp(-np.asarray(e_d_j_mol) / GAS_CONSTANT * inverse)
