from django.core.management.base import BaseCommand

from spools.physics.isotherm import KINDS, Isotherm
from spools.physics.winding import Geometry, Lane, Material, Surroundings, advance, join, uniform


class Command(BaseCommand):
    help = (
        "Compile the loops of the physics, some seconds once after an update; otherwise the first page waits."
    )

    def handle(self, *args: object, **options: object) -> None:
        geometry = Geometry.from_mass(1.0, core_radius_m=0.05, width_m=0.06, density_kg_m3=1130)
        airs = join([Surroundings(3600, 296.15, 0.5)] * 2)
        materials = [Material(4e-13, 44e3, Isotherm(kind, 0.028, 4.6, 0.768)) for kind in KINDS]
        advance([Lane(geometry, one, uniform(geometry, one, 0.01, 296.15), airs) for one in materials])
