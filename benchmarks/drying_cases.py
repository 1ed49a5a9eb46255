"""Spools, rooms and dryers for trials of the search for drying options, without a database."""

from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from spools.air.climate import Climate
from spools.air.dryer_air import dryer_chamber
from spools.air.hygrometer import dryer_errors
from spools.catalogue.importing import REFERENCE, polymer_rows, read_cell
from spools.catalogue.members import first_members
from spools.drying.drafts import DryerLoad
from spools.drying.options import PlanRequest
from spools.drying.week.loads import load_alone
from spools.models import Feedstock, Place, Polymer, Spool
from spools.moisture.assimilation import WeighingResult
from spools.moisture.history import History
from spools.moisture.state import Moisture
from spools.physics.air_errors import UNKNOWN_PLACE
from spools.physics_inputs import ConstantAir, Winding, advance_windings, initial_winding

AT = datetime(2026, 1, 1, tzinfo=UTC)
NET_MASS_G = 1000.0
# Three months.
STAY_H = 2160.0
# Temperature in °C and relative humidity in %.
Room = tuple[float, float]


@lru_cache(maxsize=1)
def load_polymers() -> dict[str, Polymer]:
    """The polymers of the catalogue's file by name, not saved."""
    polymers = {}
    for n, row in enumerate(polymer_rows(REFERENCE), start=1):
        values = {name: read_cell(Polymer, name, text) for name, text in row.items()}
        polymers[row["name"]] = Polymer(pk=n, **values)
    return polymers


def make_spool(polymer_name: str, code: str = "TRIAL", **values: Any) -> Spool:
    """A spool, not saved; it came open, unless stated otherwise."""
    polymer = load_polymers()[polymer_name]
    feedstock = Feedstock(pk=polymer.pk, polymer=polymer, name=polymer.name)
    reel = {"core_radius_mm": 50.0, "width_mm": 60.0, "core_mass_g": 200.0, "core_mass_known": True}
    return Spool(pk=polymer.pk, code=code, feedstock=feedstock, **(reel | {"sealed": False} | values))


def make_dryer(max_set_point_c: float | None, error_k: float, pk: int = 1) -> Place:
    return Place(
        pk=pk, name="Dryer", kind=Place.Kind.DRYER, max_set_point_c=max_set_point_c, set_point_error_c=error_k
    )


def moisture_after_stay(spool: Spool, room: Room, hours: float = STAY_H) -> Moisture:
    """Its moisture after some hours in a room."""
    winding = _after_stay(spool.feedstock.polymer.name, spool.code, room, hours)
    history = History(spool=spool, opened=None, stays=[], runs=[], entries=[], readings={})
    return Moisture(AT, 0.0, 0.0, [], winding, history, WeighingResult(first_members(), None))


@lru_cache(maxsize=1024)
def _after_stay(polymer: str, code: str, room: Room, hours: float) -> Winding:
    spool = make_spool(polymer, code)
    winding = initial_winding(spool, NET_MASS_G, first_members())
    return advance_windings([(winding, [ConstantAir(hours, *room)])])[0]


def build_load(
    spool: Spool,
    dryer: Place,
    room: Room,
    request: PlanRequest | None = None,
    stay_h: float = STAY_H,
) -> DryerLoad:
    """The load of a spool that stood in a room, in a dryer in that room, with the drafts of its options."""
    state = moisture_after_stay(spool, room, stay_h)
    errors = dryer_errors(dryer, UNKNOWN_PLACE)
    around = Climate(*room, "assumed", "", chamber=dryer_chamber(dryer), errors=errors)
    return load_alone(spool, state, dryer, around, request or PlanRequest(), AT)
