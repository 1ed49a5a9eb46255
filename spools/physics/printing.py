"""Water in the turns that a job takes, each as it is printed: turns leave from the rim while the rest lies in the air.

The job takes its turns piece by piece. Each piece leaves in the middle of its part of the job's time, at the
content that it has then; in between the winding lies in the job's air with the rim where it is by then. The error
falls with the square of the number of pieces.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from . import forecasting
from .air import Array
from .filament import WEIGHTS
from .geometry import Geometry
from .state import WindingState, average_between, resize
from .surroundings import Surroundings
from .winding import Lane, advance

# A piece is no larger than the stretch whose content is of interest, as far as these numbers allow. With them the
# content of the wettest stretch is off by some 2 % of what it gains.
LEAST_PIECES, MOST_PIECES = 4, 12
# Cells of a stretch in which the content is recorded.
CELLS = 4
# A winding cannot be empty, so this share of it stays on the core.
LEAST_REST = 1e-3


@dataclass(frozen=True)
class Printed:
    """The turns that a job took, the first ones first.

    edges_kg: of its cells, counted from the start of the job, (cells + 1,). contents: of each cell as it was
    printed, (cells, members) [kg/kg]. rest, geometry: the winding at the end of the job. crossed_kg: water that
    came in through the rim meanwhile, (members,).
    """

    edges_kg: Array
    contents: Array
    rest: WindingState
    geometry: Geometry
    crossed_kg: Array

    @property
    def water_kg(self) -> Array:
        """Water in the printed turns, (members,)."""
        return np.diff(self.edges_kg) @ self.contents

    def windows(self, window_kg: float) -> tuple[Array, Array]:
        """Content of each stretch of this mass, or of the whole job where it is smaller.

        Parameters
        ----------
        window_kg : float
            Mass of a stretch [kg].

        Returns
        -------
        starts_kg : ndarray
            Mass printed before each stretch [kg], (windows,): that of each cell, and the last one possible.
        contents : ndarray
            Mean content of each stretch [kg/kg], (windows, members).
        """
        edges_kg, last_kg = self.edges_kg, max(0.0, self.edges_kg[-1] - window_kg)
        starts_kg = np.append(edges_kg[edges_kg < last_kg], last_kg)
        ends_kg = np.minimum(starts_kg + window_kg, edges_kg[-1])
        water_kg = self._water_before(ends_kg) - self._water_before(starts_kg)
        return starts_kg, water_kg / (ends_kg - starts_kg)[:, None]

    def _water_before(self, printed_kg: Array) -> Array:
        """Water in the turns printed up to these masses, (masses, members)."""
        cell_kg = self.edges_kg[1]
        before = np.minimum(printed_kg // cell_kg, len(self.contents) - 1).astype(int)
        whole = np.concatenate([np.zeros((1, self.contents.shape[1])), np.cumsum(cell_kg * self.contents, 0)])
        return whole[before] + (printed_kg - self.edges_kg[before])[:, None] * self.contents[before]


def print_turns(lane: Lane, mass_kg: float, window_kg: float, pieces: int | None = None) -> Printed:
    """Take the outermost turns of a spool during its surroundings, evenly in time.

    Parameters
    ----------
    lane : Lane
        The spool, and one constant air whose duration is that of the job.
    mass_kg : float
        Mass of the job [kg]; of more than the spool holds all but LEAST_REST of it is taken.
    window_kg : float
        Mass of the stretches whose content is of interest [kg].
    pieces : int, optional
        How many pieces the job is taken in; None: as many as its mass needs.

    Returns
    -------
    Printed
        The turns taken, and the rest.

    Raises
    ------
    FloatingPointError
        If no time step is short enough: a value must be absurd.
    """
    (air,) = lane.surroundings
    geometry, state = lane.geometry, lane.state
    mass_kg = min(mass_kg, (1 - LEAST_REST) * geometry.mass_kg)
    if pieces is None:
        pieces = min(max(LEAST_PIECES, math.ceil(mass_kg / window_kg)), MOST_PIECES)
    piece_kg = mass_kg / pieces
    cells = math.ceil(CELLS * piece_kg / min(window_kg, mass_kg))
    contents, crossed_kg = [], np.zeros(state.contents.shape[-1])
    for piece in range(pieces + 1):
        stay = _shorten(air, (1 if 0 < piece < pieces else 0.5) / pieces)
        if stay.duration_s > 0:
            (result,) = advance(
                [Lane(geometry, lane.material, state, [stay])], tolerance=forecasting.FORECAST_TOLERANCE
            )
            state, crossed_kg = result.state, crossed_kg + result.crossed_kg
        if piece < pieces:
            smaller = geometry.with_mass(geometry.mass_kg - piece_kg)
            contents.append(_outer_cells(state, geometry, piece_kg, cells))
            state, geometry = resize(state, geometry, smaller), smaller
    edges_kg = np.linspace(0, mass_kg, pieces * cells + 1)
    return Printed(edges_kg, np.concatenate(contents), state, geometry, crossed_kg)


def _outer_cells(state: WindingState, geometry: Geometry, mass_kg: float, cells: int) -> Array:
    """Mean contents of the outermost turns in cells of equal mass, the outermost first, (cells, members)."""
    inside_kg = geometry.mass_kg - np.linspace(mass_kg, 0, cells + 1)
    parts = average_between(state.contents, geometry, inside_kg)
    return np.einsum("k,jkm->jm", WEIGHTS, parts)[::-1]


def _shorten(air: Surroundings, share: float) -> Surroundings:
    return replace(air, duration_s=share * air.duration_s)
