"""A spool in air that is known ahead, piece by piece, as in a box whose desiccant fills up.

A forecast of many spools takes most of its time between calls of the solver, so one call takes a spool through all
pieces, and arrays take the place of the stretches of surroundings.py.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import forecasting, surroundings, transport
from .air import Array
from .air_errors import AirErrors, true_air
from .ensemble import Members
from .geometry import Geometry
from .isotherm import Isotherm
from .kernels import kernel
from .state import Material, WindingState, outermost, outermost_shares
from .winding import give_room, member_arrays, rim_film, spool_arrays

HOUR_S = 3600.0


@dataclass(frozen=True)
class AirAhead:
    """The air of one place, piece by piece, of which the last one goes on; each array is (pieces,).

    hours: of each [h]; temperature_k: [K]; rh: relative humidity [0..1]. errors: how far the true air may be off; None:
    exactly known.
    """

    hours: Array
    temperature_k: Array
    rh: Array
    moving_air: bool
    errors: AirErrors | None

    def spread(self, temperature_k: Array, rh: Array, members: Members) -> tuple[Array, Array]:
        """Values of this air as each member takes them: (..., 1) becomes (..., members) where they may be off."""
        if self.errors is None:
            return temperature_k, rh
        true_k, true_rh = true_air(temperature_k, rh, self.errors, members)
        return np.asarray(true_k), np.asarray(true_rh)


@dataclass(frozen=True)
class Crossings:
    """When it is decided that the outermost turns get too wet.

    mass_kg: of these turns [kg]. limits: of their content [kg/kg]; one counts as crossed when more than this share of the
    members is over it. min_probes: probes that are computed in any case.
    """

    mass_kg: float
    limits: Sequence[float]
    share: float
    min_probes: int


def advance_through(
    geometry: Geometry,
    material: Material,
    start: WindingState,
    members: Members,
    air: AirAhead,
    probe_hours: Sequence[float],
    crossings: Crossings,
) -> Array:
    """Advance a spool through the air ahead until it is decided when it gets too wet.

    Parameters
    ----------
    geometry, material, start, members
        The spool, its state and its members.
    air : AirAhead
        The air.
    probe_hours : sequence of float
        Hours at which the content is computed, rising [h].
    crossings : Crossings
        What is to be decided.

    Returns
    -------
    ndarray
        The contents at the start and at each probe until each limit is crossed or cannot be crossed any more,
        (probes + 1, members) [kg/kg].

    Raises
    ------
    FloatingPointError
        If no time step is short enough: a value must be absurd.
    """
    count, mass_kg = start.contents.shape[-1], crossings.mass_kg
    stretches, ends = _join_between(
        np.array([air.hours, air.temperature_k, air.rh]), np.array(probe_hours, dtype=float)
    )
    weather = _weather(material.isotherm, air, stretches, members)
    temperature, columns = give_room(start.temperature_k, weather)
    contents = np.empty((len(probe_hours) + 1, count))
    contents[0] = outermost(start, geometry, mass_kg)
    probes = forecasting.advance_through(
        *(spool_arrays(geometry, material), member_arrays(geometry, material, count), weather, ends),
        *(
            np.array(probe_hours) >= forecasting.EVEN_H,
            start.contents.copy(),
            temperature,
            columns,
            start.step_s,
        ),
        *(
            outermost_shares(geometry, mass_kg),
            np.array(crossings.limits),
            math.floor(crossings.share * count + 1e-9),
        ),
        *(_highest_equilibrium(material.isotherm, air, members), crossings.min_probes, contents),
    )
    if probes < 0:
        raise FloatingPointError("No time step is short enough for these values; one must be absurd.")
    return contents[: probes + 1]


def _weather(isotherm: Isotherm, air: AirAhead, stretches: Array, members: Members) -> transport.Weather:
    count, rows = len(members.points), len(stretches)
    # The last axis is the members'.
    kelvin, rh = air.spread(stretches[:, 1:3, None], stretches[:, 3:5, None], members)
    equilibrium = np.empty((rows, count))
    equilibrium[:] = isotherm.equilibrium(rh[:, 1], kelvin[:, 1])
    return transport.Weather(
        duration=stretches[:, 0].copy(),
        film=np.full(rows, rim_film(air.moving_air)),
        temperature=kelvin.copy(),
        rh=rh.copy(),
        equilibrium=equilibrium,
        chamber=np.zeros((rows, 1)),
    )


def _highest_equilibrium(isotherm: Isotherm, air: AirAhead, members: Members) -> Array:
    """The content in balance with the dampest air of all, (members,) [kg/kg]."""
    kelvin, rh = air.temperature_k, air.rh
    if (kelvin == kelvin[0]).all():
        kelvin, rh = kelvin[:1], rh.max(keepdims=True)
    true_k, true_rh = air.spread(kelvin[:, None], rh[:, None], members)
    highest = np.empty(len(members.points))
    highest[:] = isotherm.equilibrium(true_rh, true_k).max(axis=0)
    return highest


@kernel
def _join_between(pieces: Array, probe_hours: Array) -> tuple[Array, NDArray[np.int64]]:
    """Pieces of air (3, pieces) cut at probes, and joined between two probes as surroundings.join() does it.

    Returns a row for each stretch, its duration [s], temperature [K] and RH [0..1] at its start and at its end as
    duration, both temperatures, both humidities; and how many stretches end by each probe.
    """
    count = pieces.shape[1]
    rows, ends = np.empty((count + len(probe_hours), 5)), np.empty(len(probe_hours), np.int64)
    span = np.empty((4, count))
    n, left, at, row = 0, pieces[0, 0], 0.0, 0
    for p in range(len(probe_hours)):
        width = 0
        while at < probe_hours[p]:
            hours = probe_hours[p] - at
            if n + 1 < count:
                hours = min(left, hours)
            if hours > 0:
                span[0, width], span[1, width] = hours * HOUR_S, 0.0
                span[2, width], span[3, width] = pieces[1, n], pieces[2, n]
                width += 1
            at += hours
            left -= hours
            if left <= 0 and n + 1 < count:
                n += 1
                left = pieces[0, n]
        if width == 1:
            rows[row, 0], rows[row, 1], rows[row, 2] = span[0, 0], span[2, 0], span[2, 0]
            rows[row, 3], rows[row, 4] = span[3, 0], span[3, 0]
            row += 1
        elif width:
            for joined in surroundings.join_rows(span[:, :width].copy()):
                rows[row] = joined[2:]
                rows[row, 3], rows[row, 4] = min(max(joined[5], 0.0), 1.0), min(max(joined[6], 0.0), 1.0)
                row += 1
        ends[p] = row
    return rows[:row], ends
