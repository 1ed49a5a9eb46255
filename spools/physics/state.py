"""The state of a winding, which is its whole memory of the past, and the contents computed from it."""

import struct
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from .air import Array
from .filament import PARTS, WEIGHTS
from .geometry import Geometry
from .isotherm import Isotherm
from .transport import Members, SpoolArrays

VERSION = 2
_HEADER = struct.Struct("<4sHHHHH")
_MAGIC = b"WIND"


@dataclass(frozen=True)
class Material:
    """A polymer as the winding knows it; d23, e_d, pore_share and the isotherm's values scalar or (members,).

    d23_m2_s: diffusivity at 23 °C [m²/s]; e_d_j_mol: its activation energy [J/mol]. pore_share: how well vapour gets
    through the pores, over the geometry's pore fraction, see geometry.pore_share.
    conductivity_w_m_k, heat_capacity_j_kg_k: of the winding across the turns, and of the filament.
    Between polymer (0.2) and air (0.026 W/m/K); 1.2 to 1.9 kJ/kg/K. Common practice, no source.
    prepared, prepared_spools: numbers as the solver takes them, kept by filament radius and number of members, and
    by geometry.
    """

    d23_m2_s: float | Array
    e_d_j_mol: float | Array
    isotherm: Isotherm
    conductivity_w_m_k: float = 0.13
    heat_capacity_j_kg_k: float = 1500.0
    pore_share: float | Array = 1.0
    prepared: dict[tuple[float, int], Members] = field(
        default_factory=dict, init=False, compare=False, repr=False
    )
    prepared_spools: dict[Geometry, SpoolArrays] = field(
        default_factory=dict, init=False, compare=False, repr=False
    )


@dataclass(frozen=True)
class WindingState:
    """A spool's memory.

    Attributes
    ----------
    contents: (shells, parts, members) [kg/kg]; part 0 is the filament's surface, in equilibrium with the
        pores next to it, the others its inner contents (see filament.py).
    temperature_k: (shells, 1) [K]; (shells, members) after air whose temperature differed between members.
    step_s: the time step that was going well, so that continuing takes the same steps as not stopping [s].
    """

    contents: Array
    temperature_k: Array
    step_s: float = 60.0

    def profile(self) -> Array:
        """Mean water content of each shell, core first.

        Returns
        -------
        ndarray
            Contents [kg/kg], (members, shells).
        """
        return np.ascontiguousarray(np.einsum("k,jkm->mj", WEIGHTS, self.contents))

    def mean(self, geometry: Geometry) -> Array:
        """Mean water content of the whole winding.

        Parameters
        ----------
        geometry : Geometry
            The winding.

        Returns
        -------
        ndarray
            Content [kg/kg], (members,).
        """
        return outermost(self, geometry, geometry.mass_kg)

    def outer(self) -> Array:
        """Of the outermost shell, (members,) [kg/kg]."""
        return self.profile()[:, -1]

    def inner(self) -> Array:
        """Of the innermost shell, (members,) [kg/kg]."""
        return self.profile()[:, 0]

    def water_kg(self, geometry: Geometry) -> Array:
        """Water in the winding.

        Parameters
        ----------
        geometry : Geometry
            The winding.

        Returns
        -------
        ndarray
            Water [kg], (members,).
        """
        return (self.profile() * geometry.shell_masses()).sum(-1)

    def to_bytes(self) -> bytes:
        """A header with a version, then the numbers as they are, to the last bit."""
        shells, parts, members = self.contents.shape
        columns = self.temperature_k.shape[1]
        numbers = np.concatenate([[self.step_s], self.temperature_k.ravel(), self.contents.ravel()])
        return (
            _HEADER.pack(_MAGIC, VERSION, members, shells, parts, columns) + numbers.astype("<f8").tobytes()
        )

    @classmethod
    def from_bytes(cls, data: bytes) -> "WindingState":
        """The state that to_bytes() wrote.

        Parameters
        ----------
        data : bytes
            A stored state.

        Returns
        -------
        WindingState
            The same to the last bit.

        Raises
        ------
        ValueError
            If another version stored it, or it is damaged.
        """
        if len(data) < _HEADER.size:
            raise ValueError("This is no stored state of a winding.")
        magic, version, members, shells, parts, columns = _HEADER.unpack_from(data)
        if magic != _MAGIC or version != VERSION or parts != PARTS:
            raise ValueError("This state was stored by another version. Compute it again from the facts.")
        if len(data) != _HEADER.size + 8 * (1 + shells * columns + members * shells * parts):
            raise ValueError("This stored state is damaged. Compute it again from the facts.")
        numbers = np.frombuffer(data, "<f8", offset=_HEADER.size).astype(float)
        temperature, contents = np.split(numbers[1:], [shells * columns])
        return cls(
            contents.reshape(shells, parts, members), temperature.reshape(shells, columns), float(numbers[0])
        )


def uniform(geometry: Geometry, material: Material, w0: ArrayLike, temperature_k: float) -> WindingState:
    """A spool that has the same water content everywhere.

    Parameters
    ----------
    geometry : Geometry
        The winding.
    material : Material
        Its material.
    w0 : array_like
        Content [kg/kg], scalar or (members,).
    temperature_k : float
        Temperature [K].

    Returns
    -------
    WindingState
        Its state.
    """
    isotherm = material.isotherm
    members = np.broadcast_shapes(
        (1,), *(np.shape(v) for v in (w0, material.d23_m2_s, material.e_d_j_mol, isotherm.w50))
    )
    shells = len(geometry.shell_masses())
    contents = np.empty((shells, PARTS, *members))
    contents[:] = w0
    return WindingState(contents, np.full((shells, 1), float(temperature_k)))


def outermost(state: WindingState, geometry: Geometry, mass_kg: float) -> Array:
    """Mean water content of the turns that are printed first.

    Parameters
    ----------
    state : WindingState
        The state.
    geometry : Geometry
        The winding.
    mass_kg : float
        Dry filament counted from the rim [kg]; more than there is means all of it.

    Returns
    -------
    ndarray
        Content [kg/kg], (members,).
    """
    return outermost_mean(state.profile(), geometry, mass_kg)


def outermost_mean(profile: Array, geometry: Geometry, mass_kg: float) -> Array:
    """outermost() from the means of the shells.

    Parameters
    ----------
    profile : ndarray
        Means of the shells [kg/kg], (..., shells).
    geometry : Geometry
        The winding.
    mass_kg : float
        Dry filament counted from the rim [kg].

    Returns
    -------
    ndarray
        Content [kg/kg], (...).
    """
    if mass_kg <= 0:
        return profile[..., -1]
    return (profile * outermost_shares(geometry, mass_kg)).sum(-1)


def outermost_shares(geometry: Geometry, mass_kg: float) -> Array:
    """Share of each shell in the turns that are printed first.

    Parameters
    ----------
    geometry : Geometry
        The winding.
    mass_kg : float
        Dry filament counted from the rim [kg], more than 0; more than there is means all of it.

    Returns
    -------
    ndarray
        Shares, (shells,); they sum to 1.
    """
    masses = geometry.shell_masses()
    outside = np.append(np.cumsum(masses[::-1])[::-1][1:], 0.0)
    taken = np.clip(mass_kg - outside, 0.0, masses)
    return taken / taken.sum()


def resize(state: WindingState, old: Geometry, new: Geometry) -> WindingState:
    """The state after turns were taken from the rim, or were added there.

    Parameters
    ----------
    state : WindingState
        The state before.
    old : Geometry
        The winding before.
    new : Geometry
        The winding after.

    Returns
    -------
    WindingState
        The state after.

    Notes
    -----
    The remaining turns keep their water exactly; added turns are like the outermost ones were. Within a shell the
    content is taken as a line, limited so that no new extreme appears.
    """
    if new == old:
        return state
    new_edges = np.concatenate([[0.0], np.cumsum(new.shell_masses())])
    contents, temperature = (
        average_between(values, old, new_edges) for values in (state.contents, state.temperature_k)
    )
    return WindingState(contents, temperature, state.step_s)


def turn_inside_out(state: WindingState, geometry: Geometry) -> WindingState:
    """The state after the filament was wound onto another reel, whose core its outer turns are next to then.

    Parameters
    ----------
    state : WindingState
        The state before.
    geometry : Geometry
        The winding, on either reel.

    Returns
    -------
    WindingState
        The state after, with as much water.
    """
    edges = np.concatenate([[0.0], np.cumsum(geometry.shell_masses())])
    contents, temperature = (
        average_between(values, geometry, edges[-1] - edges[::-1])[::-1]
        for values in (state.contents, state.temperature_k)
    )
    return WindingState(np.ascontiguousarray(contents), np.ascontiguousarray(temperature), state.step_s)


def average_between(values: Array, geometry: Geometry, edges_kg: Array) -> Array:
    """Averages of the shells -> averages between other edges, as resize() takes them.

    Parameters
    ----------
    values : ndarray
        Of the shells, (shells, ...).
    geometry : Geometry
        The winding.
    edges_kg : ndarray
        Dry filament inside of each edge, counted from the core, rising (edges,) [kg].

    Returns
    -------
    ndarray
        Averages, (edges - 1, ...).
    """
    averages = _remap(np.moveaxis(values, 0, -1), geometry.shell_masses(), edges_kg)
    return np.ascontiguousarray(np.moveaxis(averages, -1, 0))


def _remap(values: Array, masses: Array, new_edges: Array) -> Array:
    """Averages of shells (..., shells) -> averages between these edges."""
    slope = _limited_slopes(values, masses)
    at = np.concatenate([[0.0], np.cumsum(masses)])
    shell = np.clip(np.searchsorted(at, new_edges, side="right") - 1, 0, len(masses) - 1)
    into = np.minimum(new_edges - at[shell], masses[shell])
    beyond = np.maximum(new_edges - at[-1], 0.0)
    whole = np.concatenate([np.zeros((*values.shape[:-1], 1)), np.cumsum(values * masses, axis=-1)], axis=-1)
    part = values[..., shell] * into + slope[..., shell] * into * (into - masses[shell]) / 2
    amount = whole[..., shell] + part + values[..., -1:] * beyond
    return np.diff(amount, axis=-1) / np.diff(new_edges)


def _limited_slopes(values: Array, masses: Array) -> Array:
    """Change per kg within each shell: the smaller of both neighbours' slopes, none at an extreme."""
    middles = np.cumsum(masses) - masses / 2
    steps = np.diff(values, axis=-1) / np.diff(middles)
    left, right = steps[..., :-1], steps[..., 1:]
    # A line through the shell's mean may not leave the range of its neighbours.
    inner = np.where(left * right > 0, np.sign(left) * np.minimum(np.abs(left), np.abs(right)), 0.0)
    nothing = np.zeros((*values.shape[:-1], 1))
    return np.concatenate([nothing, inner, nothing], axis=-1)
