"""Spools in a dry box: a few contents each that relax to the air of the box.

References
----------
[1] Henry, P. S. H. (1939), Diffusion in absorbing media, Proc. R. Soc. Lond. A 171, 215-241.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import eigh_tridiagonal

from . import filament
from .air import Array, saturation_density, vapour_diffusivity
from .geometry import Geometry
from .state import Material

# Relative humidities of the tabulated equilibria: fine at the dry end, where a molecular sieve's isotherm is steep.
GRID = np.concatenate([[0.0], np.geomspace(1e-6, 0.02, 40), np.linspace(0.03, 1.0, 98)])
# A winding's slow and quick modes, and a filament's, lumped: (first, one past the last; None: all others).
Groups = Sequence[tuple[int, int | None]]
WINDING_GROUPS: Groups = ((0, 1), (1, 3), (3, None))
FILAMENT_GROUPS: Groups = ((0, 1), (1, None))
# Humidity at which the slope of a spool's isotherm counts for how fast vapour gets through its pores.
TYPICAL_RH = 0.25


@dataclass(frozen=True)
class Sorbers:
    """Contents that relax to the air of the box, of one spool or of several side by side.

    Attributes
    ----------
    mass_kg: dry filament behind each content, (contents,).
    equilibrium: water content in balance with the air, over GRID, (contents, grid) [kg/kg].
    pore_lag_s, filament_lag_s: what the pores and the filament add to the lag at 23 °C, (contents,) [s].
    e_d_j_mol: activation energy of the filament's part, (contents,) [J/mol].
    """

    mass_kg: Array
    equilibrium: Array
    pore_lag_s: Array
    filament_lag_s: Array
    e_d_j_mol: Array

    def lag_s(self, temperature_k: float) -> Array:
        """Time constants at a temperature.

        Parameters
        ----------
        temperature_k : float
            Temperature [K].

        Returns
        -------
        ndarray
            Lags [s], (contents,).
        """
        pores = _pore_conductivity(filament.REFERENCE_K) / _pore_conductivity(temperature_k)
        slower = 1 / filament.diffusivity(1.0, self.e_d_j_mol, temperature_k)
        return self.pore_lag_s * pores + self.filament_lag_s * slower

    def balanced(self, rh: float) -> Array:
        """Contents in equilibrium with air.

        Parameters
        ----------
        rh : float
            Relative humidity [0..1].

        Returns
        -------
        ndarray
            Contents [kg/kg], (contents,).
        """
        n = int(np.searchsorted(GRID, rh, side="right")) - 1
        if n < 0 or GRID[n] == rh or n == len(GRID) - 1:
            return self.equilibrium[:, max(n, 0)].copy()
        # As numpy.interp does it for one row, for all at once.
        slope = (self.equilibrium[:, n + 1] - self.equilibrium[:, n]) / (GRID[n + 1] - GRID[n])
        return slope * (rh - GRID[n]) + self.equilibrium[:, n]

    def relaxed(self, contents: Array, rh: float, temperature_k: float, duration_s: float) -> Array:
        """Contents after some time in constant air.

        Parameters
        ----------
        contents : ndarray
            Contents at the start [kg/kg], (contents,).
        rh : float
            Relative humidity [0..1].
        temperature_k : float
            Temperature [K].
        duration_s : float
            Duration [s].

        Returns
        -------
        ndarray
            Contents [kg/kg], (contents,).
        """
        followed = -np.expm1(-duration_s / self.lag_s(temperature_k))
        return contents + followed * (self.balanced(rh) - contents)


NOTHING = Sorbers(np.zeros(0), np.zeros((0, len(GRID))), *(np.zeros(0) for _ in range(3)))


@lru_cache(maxsize=512)
def _pore_conductivity(temperature_k: float) -> float:
    """Conductivity of pores for vapour at a difference of relative humidity, up to geometry [kg/m/s]."""
    return float(vapour_diffusivity(temperature_k) * saturation_density(temperature_k))


def sorber(geometry: Geometry, material: Material) -> Sorbers:
    """Lump a spool into a few relaxing contents.

    Parameters
    ----------
    geometry : Geometry
        The winding.
    material : Material
        Its material, with scalar values.

    Returns
    -------
    Sorbers
        Nine contents.

    Notes
    -----
    The winding's pores give modes (its shells [1], with the slope of the isotherm at TYPICAL_RH), and the
    filament gives its own series. Both are lumped keeping weight and mean lag; a content has a share of each and
    the sum of their lags. Against the full winding the mean content is off by at most 6 % of the step (tested
    for nylon, PETG and PLA).
    """
    slope = float(material.isotherm.equilibrium(TYPICAL_RH).item()) / TYPICAL_RH
    pore_share, pore_rate = _winding_modes(geometry)
    pore_lags = slope / (pore_rate * _pore_conductivity(filament.REFERENCE_K))
    pores = _lumped(pore_share, pore_lags, WINDING_GROUPS)
    share = np.concatenate([filament.WEIGHTS[1:-1], [filament.WEIGHTS[-1] + filament.WEIGHTS[0]]])
    d_a2 = float(np.asarray(material.d23_m2_s).item()) / geometry.filament_radius_m**2
    inner = _lumped(share, 1 / (filament.RATES * d_a2), FILAMENT_GROUPS)
    weights = np.outer(pores[0], inner[0]).ravel()
    equilibrium = material.isotherm.equilibrium(GRID[:, None]).reshape(-1)
    count = len(weights)
    return Sorbers(
        geometry.mass_kg * weights,
        np.broadcast_to(equilibrium, (count, len(GRID))),
        np.repeat(pores[1], len(inner[1])),
        np.tile(inner[1], len(pores[1])),
        np.full(count, float(np.asarray(material.e_d_j_mol).item())),
    )


def _winding_modes(geometry: Geometry) -> tuple[Array, Array]:
    """Shares of the mean content (sum 1) and rates of the pores' modes, slowest first.

    A rate [m/kg] times the pores' conductivity [kg/m/s] over the isotherm's slope gives 1/s.
    """
    masses = geometry.shell_masses()
    carries = geometry.conductances() * geometry.pore_factor
    diagonal = carries.copy()
    diagonal[1:] += carries[:-1]
    root = np.sqrt(masses)
    rates, modes = eigh_tridiagonal(diagonal / masses, -carries[:-1] / (root[:-1] * root[1:]))
    return (root @ modes) ** 2 / masses.sum(), rates


def _lumped(share: Array, lag: Array, groups: Groups) -> tuple[Array, Array]:
    """Weight and mean lag of each group."""
    weights = np.array([share[a:b].sum() for a, b in groups])
    return weights, np.array([(share[a:b] * lag[a:b]).sum() for a, b in groups]) / weights


def side_by_side(sorbers: Sequence[Sorbers]) -> Sorbers:
    """Several spools as one set of contents.

    Parameters
    ----------
    sorbers : sequence of Sorbers
        The spools.

    Returns
    -------
    Sorbers
        Their contents in the same order.
    """
    if not sorbers:
        return NOTHING
    return Sorbers(
        *(
            np.concatenate([getattr(s, name) for s in sorbers])
            for name in ("mass_kg", "equilibrium", "pore_lag_s", "filament_lag_s", "e_d_j_mol")
        )
    )
