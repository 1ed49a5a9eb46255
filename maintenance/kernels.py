"""All kernels of the project, loaded before they are needed."""

from pathlib import Path

import numpy as np

from maintenance import gcode
from spools import physics
from spools.physics import drybox, kernels
from spools.physics.ahead import AirAhead, Crossings, advance_through
from spools.physics.desiccant import DESICCANTS
from spools.physics.ensemble import Members, first_members
from spools.physics.isotherm import KINDS, Isotherm
from spools.physics.sorbers import NOTHING
from spools.physics.winding import (
    Geometry,
    Lane,
    Material,
    Surroundings,
    advance,
    advance_until_decided,
    join,
    uniform,
)

PACKAGES = [Path(package.__path__[0]) for package in (physics, gcode)]


def are_compiled() -> bool:
    """Whether the present version of all kernels has been compiled on this machine."""
    return all(kernels.are_compiled(package) for package in PACKAGES)


def load_kernels() -> None:
    """Load the compiled code of all kernels into this process; compile it where there is none yet."""
    _advance_spools()
    gcode.load_reader()
    for package in PACKAGES:
        kernels.note_compiled(package)


def _advance_spools() -> None:
    """A spool of each kind of isotherm, through two hours, then in lasting air and in the air ahead of a box."""
    first_members(("w50_pct",))  # imports what draws members
    geometry = Geometry.from_mass(1.0, core_radius_m=0.05, width_m=0.06, density_kg_m3=1130)
    airs = join([Surroundings(3600, 296.15, 0.5)] * 2)
    materials = [Material(4e-13, 44e3, Isotherm(kind, 0.028, 4.6, 0.768)) for kind in KINDS]
    lanes = [
        Lane(geometry, material, uniform(geometry, material, 0.01, 296.15), airs) for material in materials
    ]
    advance(lanes)
    advance_until_decided(lanes[0], [3600.0], geometry.mass_kg, [0.02], 0.2, [1])
    ahead = AirAhead(np.array([1.0, 2.0]), np.full(2, 296.15), np.array([0.1, 0.2]), False, None)
    start = geometry, materials[0], lanes[0].state, Members(("w50_pct",), np.zeros((1, 1)))
    advance_through(*start, ahead, [1.0, 2.0], Crossings(geometry.mass_kg, [0.02], 0.2, 1))
    box, room = drybox.Box(0.01, 1e-6, DESICCANTS["silica_gel"], 0.1), drybox.Room(3600.0, 296.15, 0.5)
    drybox.forecast_rh(box, NOTHING, drybox.DryBoxContents(0.001, np.zeros(0)), room, [3600.0])
    drybox.step(box, NOTHING, drybox.DryBoxContents(0.001, np.zeros(0)), room)
