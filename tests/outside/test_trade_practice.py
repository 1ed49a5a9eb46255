"""Rules of thumb of the trade, from the catalogue's defaults. Common practice, no source, unless stated."""

import csv
from pathlib import Path

import numpy as np
import pytest

from spools.physics import air, drying
from spools.physics.isotherm import Isotherm
from spools.physics.winding import Geometry, Lane, Material, Surroundings, uniform

POLYMERS = Path(__file__).parents[2] / "fixtures/reference/polymers.csv"
ROOM_K, ROOM_RH = 296.15, 0.5
HALF_HOURS = [n / 2 for n in range(1, 97)]


@pytest.fixture
def spool():
    with POLYMERS.open() as file:
        rows = {row["polymer"]: row for row in csv.DictReader(file)}

    def make(polymer: str, w0: float | None, kelvin: float, rh: float, mass_kg: float = 1.0):
        """A lane in lasting air, the polymer's row, and its floor there; wet from a room without w0."""
        row = rows[polymer]
        density = 1000 * float(row["density_g_cm3"])
        isotherm = Isotherm(row["isotherm"], float(row["w50_pct"]) / 100, 4.6, 0.768, density)
        material = Material(float(row["d23_m2_s"]), 1000 * float(row["e_d_kj_mol"]), isotherm)
        geometry = Geometry.from_mass(mass_kg, core_radius_m=0.045, width_m=0.06, density_kg_m3=density)
        start = isotherm.equilibrium(ROOM_RH) if w0 is None else w0
        state = uniform(geometry, material, start, ROOM_K)
        lane = Lane(geometry, material, state, [Surroundings(1, kelvin, rh, moving_air=True)])
        return lane, row, float(drying.floor(isotherm, rh))

    return make


@pytest.mark.parametrize(
    ("polymer", "celsius", "least_h", "most_h"),
    [
        ("PA6", 80, 8, 24),
        ("PETG", 60, 3, 10),
        ("PETG", 65, 3, 8),
        ("PLA", 45, 0.5, 8),
        ("PLA", 50, 0.5, 8),
        ("TPU 95A", 60, 3, 12),
    ],
)
def test_a_wet_spool_dries_to_its_clear_limit_in_the_usual_time(spool, polymer, celsius, least_h, most_h):
    kelvin = celsius + 273.15
    lane, row, floor = spool(polymer, None, kelvin, float(air.heated_rh(ROOM_K, ROOM_RH, kelvin)))
    limit = float(row["limit_clear_pct"]) / 100
    assert floor < limit
    for mass_kg in (0.1, 1.0):
        ((found,),) = drying.hours_until([lane], [[limit]], [mass_kg], HALF_HOURS, below=True)
        assert found is not None
        assert least_h <= found <= most_h


def test_open_nylon_is_too_wet_at_the_rim_within_hours_to_a_day(spool):
    # One dryer maker's test, not independent: 0.75 % after 2 to 8 h at 50 to 75 % RH.
    hours = []
    for rh in (0.5, 0.75):
        lane, _, _ = spool("PA6", 0.002, ROOM_K, rh)
        ((found,),) = drying.hours_until([lane], [[0.0075]], [0.05], HALF_HOURS, below=False)
        hours.append(found)
    assert 1 <= hours[1] <= hours[0] <= 24
    assert hours[0] == pytest.approx(8, abs=4)
    assert hours[1] == pytest.approx(2, abs=1)


def test_a_nearly_empty_spool_dries_faster_than_a_full_one(spool):
    kelvin = 353.15
    rh = float(air.heated_rh(ROOM_K, ROOM_RH, kelvin))
    full, _, _ = spool("PA6", None, kelvin, rh)
    low, _, _ = spool("PA6", None, kelvin, rh, mass_kg=0.1)
    (slow,), (quick,) = drying.hours_until(
        [full, low], [[0.005], [0.005]], [1.0, 0.1], HALF_HOURS, below=True
    )
    assert quick is not None
    assert slow is not None
    assert quick < 0.7 * slow


def test_a_humid_room_puts_the_limit_out_of_reach(spool):
    kelvin = 318.15
    rh = float(air.heated_rh(303.15, 0.75, kelvin))
    lane, _, floor = spool("PA6", None, kelvin, rh)
    assert floor > 0.005
    ((found,),) = drying.hours_until([lane], [[0.005]], [0.1], HALF_HOURS, below=True)
    assert found is None


def test_between_two_looks_the_time_is_read_off(spool):
    kelvin = 353.15
    rh = float(air.heated_rh(ROOM_K, ROOM_RH, kelvin))
    lane, _, _ = spool("PA6", None, kelvin, rh)
    ((fine,),) = drying.hours_until([lane], [[0.005]], [0.1], HALF_HOURS, below=True)
    ((coarse,),) = drying.hours_until([lane], [[0.005]], [0.1], list(np.arange(2.0, 49, 2)), below=True)
    assert coarse == pytest.approx(fine, abs=0.3)
    ((dry,),) = drying.hours_until([lane], [[0.05]], [0.1], HALF_HOURS, below=True)
    assert dry == 0


def test_several_limits_are_crossed_when_each_would_be_alone(spool):
    lane, _, _ = spool("PA6", 0.002, ROOM_K, 0.5)
    limits = [0.0015, 0.005, 0.0075, 0.02, 0.5]
    (found,) = drying.hours_until([lane], [limits], [0.05], HALF_HOURS, below=False)
    alone = [drying.hours_until([lane], [[limit]], [0.05], HALF_HOURS, below=False)[0] for limit in limits]
    assert found == [hours for (hours,) in alone]
    assert found[0] == 0
    assert found[-1] is None
    assert None not in found[:3]
