from pathlib import Path
from tempfile import TemporaryDirectory

from django.core.management.base import BaseCommand

from maintenance import gcode
from spools import physics
from spools.physics.isotherm import KINDS, Isotherm
from spools.physics.kernels import are_compiled, note_compiled
from spools.physics.winding import Geometry, Lane, Material, Surroundings, advance, join, uniform

PACKAGES = [Path(package.__path__[0]) for package in (physics, gcode)]
JOB = "M83\nM104 S210\nG1 Z0.2 F600\nG1 X10 Y5 E1\nG1 E-1\nG2 X20 Y5 I5 J0 E1\n"


class Command(BaseCommand):
    help = "Compile the loops of the physics and of the job reader; otherwise the first to need them waits."
    requires_system_checks = []

    def handle(self, *args: object, **options: object) -> None:
        if not all(map(are_compiled, PACKAGES)):
            self.stdout.write("Compiling the numeric code (once per version, up to a minute) ...")
            self.stdout.flush()
        compile_physics()
        compile_job_reader()
        for package in PACKAGES:
            note_compiled(package)


def compile_physics() -> None:
    """Takes a spool of each kind of isotherm through two hours."""
    geometry = Geometry.from_mass(1.0, core_radius_m=0.05, width_m=0.06, density_kg_m3=1130)
    airs = join([Surroundings(3600, 296.15, 0.5)] * 2)
    materials = [Material(4e-13, 44e3, Isotherm(kind, 0.028, 4.6, 0.768)) for kind in KINDS]
    advance(
        [Lane(geometry, material, uniform(geometry, material, 0.01, 296.15), airs) for material in materials]
    )


def compile_job_reader() -> None:
    """Reads a job of six lines."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "job.gcode"
        path.write_text(JOB)
        gcode.read_job(path)
