"""All kernels of the project, loaded before they are needed."""

from pathlib import Path
from tempfile import TemporaryDirectory

from maintenance import gcode
from spools import physics
from spools.physics import kernels
from spools.physics.ensemble import first_members
from spools.physics.isotherm import KINDS, Isotherm
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
JOB = "M83\nM104 S210\nG1 Z0.2 F600\nG1 X10 Y5 E1\nG1 E-1\nG2 X20 Y5 I5 J0 E1\n"


def are_compiled() -> bool:
    """Whether the present version of all kernels has been compiled on this machine."""
    return all(kernels.are_compiled(package) for package in PACKAGES)


def load_kernels() -> None:
    """Load the compiled code of all kernels into this process; compile it where there is none yet."""
    _advance_spools()
    _read_job()
    for package in PACKAGES:
        kernels.note_compiled(package)


def _advance_spools() -> None:
    """A spool of each kind of isotherm, through two hours, then in lasting air."""
    first_members(("w50_pct",))  # imports what draws members
    geometry = Geometry.from_mass(1.0, core_radius_m=0.05, width_m=0.06, density_kg_m3=1130)
    airs = join([Surroundings(3600, 296.15, 0.5)] * 2)
    materials = [Material(4e-13, 44e3, Isotherm(kind, 0.028, 4.6, 0.768)) for kind in KINDS]
    lanes = [
        Lane(geometry, material, uniform(geometry, material, 0.01, 296.15), airs) for material in materials
    ]
    advance(lanes)
    advance_until_decided(lanes[0], [3600.0], geometry.mass_kg, [0.02], 0.2, [1])


def _read_job() -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "job.gcode"
        path.write_text(JOB)
        gcode.read_job(path)
