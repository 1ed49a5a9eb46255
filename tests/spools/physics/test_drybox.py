"""The balance of a dry box: invariants, and its lumped spools against full windings."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spools.physics import drybox
from spools.physics.desiccant import DESICCANTS
from spools.physics.drybox import DAY_S, Box, DryBoxContents, Room
from spools.physics.filament import REFERENCE_K
from spools.physics.isotherm import Isotherm
from spools.physics.sorbers import GRID, NOTHING, Sorbers, side_by_side, sorber
from spools.physics.winding import Geometry, Lane, Material, Surroundings, advance, uniform
from tests.spools.physics.strategies import logarithmic

KINDS = sorted(DESICCANTS)
# Diffusivity at 23 °C, activation energy, isotherm, density: as the catalogue has them.
POLYMERS = {
    "PA6": (4e-13, 44e3, Isotherm("gab", 0.028, 4.6, 0.768), 1130),
    "PETG": (6e-13, 45e3, Isotherm("henry", 0.0040), 1270),
    "PLA": (4e-12, 40e3, Isotherm("henry", 0.0038), 1240),
}


def spool(polymer: str, mass_kg: float) -> tuple[Geometry, Material]:
    d23, e_d, isotherm, density = POLYMERS[polymer]
    geometry = Geometry.from_mass(mass_kg, core_radius_m=0.045, width_m=0.06, density_kg_m3=density)
    return geometry, Material(d23, e_d, isotherm)


boxes = st.builds(
    lambda litres, a_day, kind, grams: Box(litres / 1000, a_day / DAY_S, DESICCANTS[kind], grams / 1000),
    litres=st.floats(2, 200),
    a_day=logarithmic(0.02, 50),
    kind=st.sampled_from(KINDS),
    grams=st.sampled_from([0.0, 5.0, 50.0, 300.0, 2000.0]),
)
rooms = st.builds(
    Room,
    duration_s=st.sampled_from([600.0, 3600.0, DAY_S]),
    temperature_k=st.floats(278, 308),
    rh=st.floats(0, 1),
    openings=st.integers(0, 5),
)
contents_of = st.lists(st.tuples(st.sampled_from(sorted(POLYMERS)), st.floats(0.02, 1.2)), max_size=3)


def started(box: Box, spools, start_rh: float, water_kg: float) -> tuple[Sorbers, DryBoxContents]:
    sorbers = side_by_side([sorber(*spool(*one)) for one in spools])
    return sorbers, DryBoxContents(water_kg, sorbers.balanced(start_rh))


@settings(max_examples=40)
@given(boxes, contents_of, st.floats(0, 1), st.floats(0, 0.1), st.lists(rooms, min_size=1, max_size=8))
def test_water_is_conserved(box, spools, start_rh, loading, course):
    sorbers, state = started(box, spools, start_rh, box.dry_kg * loading)
    for room in course:
        before = state.water_kg + float(sorbers.mass_kg @ state.contents)
        state, came_in = drybox.step(box, sorbers, state, room)
        after = state.water_kg + float(sorbers.mass_kg @ state.contents)
        assert after - before == pytest.approx(came_in, abs=1e-12 + 1e-12 * before)
        assert 0 <= box.rh(state.water_kg, room.temperature_k) <= 1


@settings(max_examples=30)
@given(boxes, contents_of, st.floats(0, 1), st.floats(0, 1), st.lists(rooms, min_size=1, max_size=8))
def test_humidity_stays_between_what_there_was(box, spools, start_rh, box_rh, course):
    temperature_k = course[0].temperature_k
    sorbers, state = started(box, spools, start_rh, box.water(box_rh, temperature_k))
    there = [box_rh, *(room.rh for room in course), *([start_rh] if spools else [])]
    for room in course:
        state, _ = drybox.step(box, sorbers, state, replace(room, temperature_k=temperature_k))
        assert min(there) - 1e-6 <= box.rh(state.water_kg, temperature_k) <= max(there) + 1e-6
        assert (state.contents >= sorbers.balanced(min(there)) - 1e-12).all()
        assert (state.contents <= sorbers.balanced(max(there)) + 1e-12).all()


def humidity_after(box: Box, spools, room: Room, days: int) -> float:
    sorbers, state = started(box, spools, 0.2, box.water(0.05, room.temperature_k))
    for _ in range(days):
        state, _ = drybox.step(box, sorbers, state, replace(room, duration_s=DAY_S))
    return box.rh(state.water_kg, room.temperature_k)


@settings(max_examples=20)
@given(boxes, contents_of, st.floats(0.3, 0.9), st.integers(1, 40), st.floats(1.1, 10))
def test_a_leakier_box_gets_wetter_and_more_desiccant_keeps_it_drier(box, spools, rh, days, times):
    room = Room(DAY_S, 295.15, rh)
    now = humidity_after(box, spools, room, days)
    leakier = replace(box, air_changes_s=times * box.air_changes_s)
    assert humidity_after(leakier, spools, room, days) >= now - 1e-9
    fuller = replace(box, dry_kg=times * box.dry_kg)
    assert humidity_after(fuller, spools, room, days) <= now + 1e-9


@settings(max_examples=15)
@given(boxes, contents_of, st.lists(rooms, min_size=1, max_size=4))
def test_a_step_in_halves_ends_near_where_the_whole_ends(box, spools, course):
    """Leak and spools at least two hours slow: the room's air as a jump, an hour as one step or as two."""
    tight = replace(box, air_changes_s=min(box.air_changes_s, 2 / DAY_S), dry_kg=max(box.dry_kg, 0.05))
    sorbers, state = started(tight, spools, 0.4, 0.02 * tight.dry_kg)
    whole = halves = state
    for room in course:
        hour = replace(room, duration_s=3600.0)
        whole, _ = drybox.step(tight, sorbers, whole, hour)
        halves, _ = drybox.step(tight, sorbers, halves, replace(hour, duration_s=1800.0))
        halves, _ = drybox.step(tight, sorbers, halves, replace(hour, duration_s=1800.0, openings=0))
    temperature_k = course[-1].temperature_k
    assert tight.rh(halves.water_kg, temperature_k) == pytest.approx(
        tight.rh(whole.water_kg, temperature_k), abs=0.01
    )


@pytest.mark.parametrize("polymer", POLYMERS)
@pytest.mark.parametrize("mass_kg", [1.0, 0.2])
@pytest.mark.parametrize(("before", "after"), [(0.5, 0.15), (0.1, 0.5)])
def test_a_lumped_spool_follows_the_full_winding_within_6_percent_of_the_step(
    polymer, mass_kg, before, after
):
    geometry, material = spool(polymer, mass_kg)
    start, end = (float(material.isotherm.equilibrium(rh)) for rh in (before, after))
    spans = np.diff(np.concatenate([[0.0], np.geomspace(3600, 300 * DAY_S, 25)])).tolist()
    lane = Lane(
        geometry,
        material,
        uniform(geometry, material, start, REFERENCE_K),
        [Surroundings(span, REFERENCE_K, after) for span in spans],
    )
    (outcome,) = advance([lane], record=True)
    full = outcome.profiles[:, 0] @ geometry.shell_masses() / geometry.mass_kg
    sorbers = sorber(geometry, material)
    contents, lumped = np.full(len(sorbers.mass_kg), start), []
    for span in spans:
        contents = sorbers.relaxed(contents, after, REFERENCE_K, span)
        lumped.append(sorbers.mass_kg @ contents / geometry.mass_kg)
    assert np.abs((np.array(lumped) - full) / (end - start)).max() < 0.06
    assert lumped[-1] == pytest.approx(full[-1], abs=0.01 * abs(end - start))


def test_a_warm_spool_relaxes_faster():
    sorbers = sorber(*spool("PA6", 1.0))
    assert (sorbers.lag_s(308.15) < 0.75 * sorbers.lag_s(REFERENCE_K)).all()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("temperature_k", [278.15, 295.15, 308.15])
def test_loadings_rise_from_zero(kind, temperature_k):
    loading = DESICCANTS[kind].loading(GRID, temperature_k)
    assert loading[0] == 0
    assert (np.diff(loading) >= 0).all()
    assert loading[-1] < 0.5


def test_a_gasketed_box_with_silica_gel_keeps_nylon_printable_for_a_year():
    """Common practice, no source: a few hundred grams last a year and more.

    30 L at 0.1 air changes a day (very well sealed, in the classes of museum cases), opened weekly, 300 g
    regenerated at 100 °C, three spools dried to 0.2 %; nylon prints up to 0.75 % (polymers.csv).
    """
    box = Box(0.030, 0.1 / DAY_S, DESICCANTS["silica_gel"], 0.3)
    sorbers = side_by_side([sorber(*spool("PA6", 1.0))] * 3)
    start = DryBoxContents(box.dry_kg * 0.011, np.full(len(sorbers.mass_kg), 0.002))
    room = Room(DAY_S, 295.15, 0.5)

    def wettest_after_a_year(box: Box) -> float:
        state = start
        for day in range(365):
            state, _ = drybox.step(box, sorbers, state, replace(room, openings=int(day % 7 == 0)))
        return float(state.contents.max())

    assert wettest_after_a_year(box) < 0.0075
    assert drybox.days_until(box, sorbers, start, room, 0.15, openings_day=1 / 7) is None
    # The same without a gasket, or without the silica gel.
    leaky = replace(box, air_changes_s=24 / DAY_S)
    assert wettest_after_a_year(leaky) > 0.0075
    days = drybox.days_until(leaky, sorbers, start, room, 0.15, openings_day=1 / 7)
    assert days is not None and days < 60


def test_the_forecast_meets_what_comes():
    box = Box(0.030, 2 / DAY_S, DESICCANTS["silica_gel"], 0.15)
    state, room = DryBoxContents(0.03 * box.dry_kg, np.zeros(0)), Room(3600.0, 295.15, 0.55)
    forecast = drybox.days_until(box, NOTHING, state, room, 0.25)
    hours = 0
    while box.rh(state.water_kg, room.temperature_k) <= 0.25:
        state, _ = drybox.step(box, NOTHING, state, room)
        hours += 1
    assert forecast == pytest.approx(hours / 24, rel=0.05)
    assert drybox.days_until(box, NOTHING, state, room, 0.25) == 0
