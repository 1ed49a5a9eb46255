"""The shape of a winding and its division into shells."""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from .air import Array

SHELLS = 12
# Shells get thinner outwards, where the moisture changes first: depth below the rim goes with this power. The
# outermost one of 1 kg weighs 8 g, less than a small job.
GRADING = 2.0
PORE_FRACTION = 0.3


def pore_share(pore_fraction: ArrayLike) -> Array:
    """How well vapour gets through a winding with other pores, over one of the usual pore fraction.

    By Maxwell's result for parallel cylinders, and because the same filament lies thicker where it lies looser.

    Parameters
    ----------
    pore_fraction : array_like
        Share of air in the winding's volume.

    Returns
    -------
    ndarray
        Conductance of the pores as a share of that at PORE_FRACTION, same shape.
    """

    def conductance(pores: ArrayLike) -> Array:
        pores = np.asarray(pores, dtype=float)
        return pores / (2 - pores) * (1 - pores)

    return conductance(pore_fraction) / conductance(PORE_FRACTION)


@dataclass(frozen=True)
class Geometry:
    """A porous annulus of wound filament; flanges and core closed, the rim open to the air.

    pore_fraction: share of air in the winding's volume. density_kg_m3: of the dry filament.
    Raises ValueError where a value is out of range.
    """

    core_radius_m: float
    outer_radius_m: float
    width_m: float
    pore_fraction: float
    filament_radius_m: float
    density_kg_m3: float

    def __post_init__(self) -> None:
        if not 0 < self.core_radius_m < self.outer_radius_m < math.inf:
            raise ValueError("The outer radius must be larger than the core's, and that larger than 0.")
        if not 0 < self.pore_fraction < 1:
            raise ValueError("The pore fraction must lie between 0 and 1.")
        for name in ("width_m", "filament_radius_m", "density_kg_m3"):
            if not 0 < getattr(self, name) < math.inf:
                raise ValueError(f"{name} must be larger than 0.")

    @classmethod
    def from_mass(
        cls,
        mass_kg: float,
        *,
        core_radius_m: float,
        width_m: float,
        density_kg_m3: float,
        filament_radius_m: float = 0.875e-3,
        pore_fraction: float = PORE_FRACTION,
    ) -> "Geometry":
        """The winding that a mass of filament makes.

        Parameters
        ----------
        mass_kg : float
            Dry filament [kg].
        core_radius_m : float
            Radius of the core [m].
        width_m : float
            Width between the flanges [m].
        density_kg_m3 : float
            Density of the dry filament [kg/m³].
        filament_radius_m : float
            Radius of the filament [m].
        pore_fraction : float
            Share of air in the winding; 30 % is common practice, no source.

        Returns
        -------
        Geometry
            The winding.

        Raises
        ------
        ValueError
            If a value is out of range.
        """
        if not 0 < mass_kg < math.inf:
            raise ValueError("The mass on the spool must be larger than 0.")
        section = mass_kg / (density_kg_m3 * (1 - pore_fraction) * math.pi * width_m)
        outer = math.sqrt(core_radius_m**2 + section)
        return cls(core_radius_m, outer, width_m, pore_fraction, filament_radius_m, density_kg_m3)

    def with_mass(self, mass_kg: float) -> "Geometry":
        """The winding on the same core with another mass of the same filament [kg]; as from_mass."""
        return Geometry.from_mass(
            mass_kg,
            core_radius_m=self.core_radius_m,
            width_m=self.width_m,
            density_kg_m3=self.density_kg_m3,
            filament_radius_m=self.filament_radius_m,
            pore_fraction=self.pore_fraction,
        )

    @property
    def mass_kg(self) -> float:
        """Dry filament on the spool."""
        return float(self.shell_masses().sum())

    def edges(self) -> Array:
        """Radii between the shells, core first.

        Returns
        -------
        ndarray
            Radii [m], (shells + 1,).
        """
        return self._edges

    @cached_property
    def _edges(self) -> Array:
        depth = np.linspace(1, 0, SHELLS + 1) ** GRADING
        return self.outer_radius_m - (self.outer_radius_m - self.core_radius_m) * depth

    def shell_volumes(self) -> Array:
        """Volume of each shell, pores included.

        Returns
        -------
        ndarray
            Volumes [m³], (shells,).
        """
        edges = self.edges()
        return math.pi * self.width_m * (edges[1:] - edges[:-1]) * (edges[1:] + edges[:-1])

    def shell_masses(self) -> Array:
        """Dry filament in each shell, core first.

        Returns
        -------
        ndarray
            Masses [kg], (shells,).
        """
        return self._masses

    @cached_property
    def _masses(self) -> Array:
        return self.density_kg_m3 * (1 - self.pore_fraction) * self.shell_volumes()

    def conductances(self) -> Array:
        """Conductance from the middle of each shell to that of the next, of the last one to the rim.

        Returns
        -------
        ndarray
            Conductances [m], (shells,); times a diffusivity and a difference of densities: a mass flow.
        """
        return self._conductances

    @cached_property
    def _conductances(self) -> Array:
        edges = self.edges()
        middles = (edges[1:] + edges[:-1]) / 2
        outward = np.append(middles[1:], edges[-1])
        return 2 * math.pi * self.width_m / np.log(outward / middles)

    @property
    def pore_factor(self) -> float:
        """Diffusivity in the pores over that in free air: Maxwell's result for parallel cylinders."""
        return self.pore_fraction / (2 - self.pore_fraction)
