"""The response of a long cylinder to a step of its surface: the full series, and the lumped memory of spools.

References
----------
[1] Crank, J. (1975), The Mathematics of Diffusion, 2nd ed., ch. 5, eq. 5.23.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import jn_zeros

from spools.physics.air import Array
from spools.physics.filament import RATES, WEIGHTS

SERIES_TERMS = 3000


def series_uptake(tau: ArrayLike) -> Array:
    """M_t / M_inf at tau = D t / a² by the full series [1], any shape."""
    tau = np.asarray(tau, dtype=float)
    zeros = jn_zeros(0, SERIES_TERMS)
    terms = 4 / zeros**2 * np.exp(-(zeros**2) * tau[..., None])
    # The terms beyond the cut-off have long followed.
    return np.where(tau > 0, 1 - terms.sum(-1), 0.0)


def lumped_uptake(tau: ArrayLike) -> Array:
    """The same by the lumped memory of spools; the share beyond its groups follows at once."""
    tau = np.asarray(tau, dtype=float)
    return 1 - (WEIGHTS[1:] * np.exp(-RATES * tau[..., None])).sum(-1)
