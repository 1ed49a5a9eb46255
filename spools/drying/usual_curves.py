"""How an ordinary full spool of a material dries, for its page: the wettest turns over the hours.

It is no spool of the shop: the drying of one is planned from its own moisture, in the dryer that it goes into.
"""

from collections.abc import Sequence
from itertools import pairwise

from spools.air.dryer_air import AIR_FLOW_L_MIN
from spools.air.hourly import heated_rh_pct
from spools.catalogue.members import likely_material
from spools.catalogue.values import MaterialValues, material_values
from spools.models import Feedstock, Place
from spools.physics import winding
from spools.physics.air import ZERO_C
from spools.physics.chamber import Chamber
from spools.physics.geometry import Geometry
from spools.physics.state import uniform
from spools.physics.surroundings import Surroundings

# It lay open in such air until it was in balance with it, and the dryer takes that air in.
ROOM_C, ROOM_RH_PCT = 23.0, 50.0
# A common reel (fixtures/core_kinds.csv).
MASS_KG, CORE_RADIUS_M, WIDTH_M = 1.0, 0.045, 0.060
# Below the usual set point, as where a cooler dryer or the reel limits it.
GENTLER_K = 15.0
HOURS = (0.0, 0.5, 1.0, 1.5, 2.0, 2.5, *map(float, range(3, 25)))


def usual_set_points_c(values: MaterialValues) -> list[float]:
    """A gentler, the usual and the highest drying temperature of a material, rising, °C."""
    return sorted({values.dry_set_c - GENTLER_K, values.dry_set_c, max(values.dry_set_c, values.dry_cap_c)})


def dry_wettest_turns(feedstock: Feedstock, set_points_c: Sequence[float]) -> list[list[float]]:
    """The moisture of the wettest turns at HOURS for each set point, % by mass, by the likely numbers of the material.

    Alone in a dryer that is vented freely.
    """
    material, density_g_cm3 = likely_material(feedstock), material_values(feedstock).density_g_cm3
    shape = Geometry.from_mass(
        MASS_KG,
        core_radius_m=CORE_RADIUS_M,
        width_m=WIDTH_M,
        density_kg_m3=1000 * density_g_cm3,
        filament_radius_m=feedstock.diameter_mm / 2000,
    )
    start_k = ROOM_C + ZERO_C
    start = uniform(shape, material, material.isotherm.equilibrium(ROOM_RH_PCT / 100, start_k), start_k)
    lanes = [
        winding.Lane(shape, material, start, _dry_at(set_point_c, HOURS)) for set_point_c in set_points_c
    ]
    first_pct = 100 * float(start.profile().max())
    return [
        [first_pct, *(100 * result.profiles.max(axis=(1, 2))).tolist()]
        for result in winding.advance(lanes, record=True)
    ]


def _dry_at(set_point_c: float, hours: Sequence[float]) -> list[Surroundings]:
    """The air of the dryer from each hour to the next."""
    flow = AIR_FLOW_L_MIN[Place.AirExchange.FREE]
    chamber = Chamber(flow.low, flow.median, flow.high)
    rh = heated_rh_pct(ROOM_C, ROOM_RH_PCT, set_point_c) / 100
    return [
        Surroundings(3600 * (after - before), set_point_c + ZERO_C, rh, True, chamber=chamber)
        for before, after in pairwise(hours)
    ]
