"""The shape of a winding from its mass: m = rho (1 - eps) pi (Ro² - Rc²) W (design: one spool)."""

import math

from . import catalogue
from .models import Spool

# Share of air between the turns of a machine-wound spool. Common practice, no source.
PORE_FRACTION = 0.3


def outer_radius_mm(spool: Spool, mass_g: float) -> float:
    """Radius of the outermost turns, mm, with this much filament on the spool."""
    density_g_cm3 = catalogue.value(spool.feedstock, "density_g_cm3")
    assert density_g_cm3 is not None
    solid_mm3 = mass_g / density_g_cm3 * 1000
    section_mm2 = solid_mm3 / ((1 - PORE_FRACTION) * spool.width_mm)
    return math.sqrt(spool.core_radius_mm**2 + section_mm2 / math.pi)
