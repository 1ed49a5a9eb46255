"""The computed air of a dry box follows the balance of its water, and spools take it."""

from datetime import timedelta

import pytest

from spools.air import climate, dry_box, dry_box_cache
from spools.air.climate import record_readings
from spools.air.dry_box import box_now, put_desiccant
from spools.air.dry_box_cache import simulate_airs
from spools.drying import runs as drying_runs
from spools.drying.runs import DryingSettings
from spools.inventory import moves
from spools.models import Place
from spools.moisture import cache as moisture_cache
from spools.moisture import history_queries
from spools.moisture import state as moisture_state
from spools.physics import drybox
from spools.physics.air import ZERO_C, saturation_density
from spools.statements import Statement
from tests.spools.air.conftest import NOW_H, SILICA, START, at, rh_by_hour
from tests.spools.conftest import feedstock, receive

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("clock")]


def test_nothing_is_computed_before_all_is_known(computed_box):
    assert box_now(computed_box) is None
    put_desiccant(computed_box, dry_mass_g=100, at=at(0), **SILICA)
    assert box_now(computed_box) is not None
    for name in ("volume_l", "half_time_h", "room"):
        incomplete = Place.objects.get(pk=computed_box.pk)
        setattr(incomplete, name, None)
        assert box_now(incomplete) is None
        assert len(dry_box.list_missing(incomplete)) == 1
    put_desiccant(computed_box, "silica_gel", 0, condition="unknown", at=at(NOW_H - 5))
    assert box_now(computed_box) is None, "the desiccant was taken out"


def test_without_desiccant_its_air_follows_the_room(charged, shelf, nylon):
    spool = receive(nylon, charged, at=at(1), net_mass_g=1)
    taken_out = put_desiccant(charged, "silica_gel", 0, condition="unknown", at=at(50))
    record_readings(shelf, [(at(60), 22, 80)], origin="hand")
    air = rh_by_hour(charged, at(NOW_H))
    assert air[at(49).replace(minute=0)] < 10
    # Half-time 33 h: the room of 80 % for 6 h, else of 50 %; what it had itself is assumed at no time.
    assert air[at(51).replace(minute=0)] == pytest.approx(50, abs=0.5)
    assert 52 < air[at(66).replace(minute=0)] < 54
    assert air[at(NOW_H).replace(minute=0)] == pytest.approx(50, abs=1)
    now = climate.climate_at(charged)
    assert now.source == Statement(
        "air.computed_without_desiccant",
        {"at": at(50).isoformat(), "desiccant": taken_out.describe().as_data(), "believed_h": 6.0},
    )
    assert now.rh_pct == air[at(NOW_H).replace(minute=0)]
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    assert dry_box_cache.rebuild() == []
    assert moisture_cache.rebuild([spool]) == []


def test_the_hours_follow_the_balance_done_by_hand(charged):
    """An empty box in constant air: what leaks in is what the desiccant and the air gain, hour by hour."""
    simulated = simulate_airs([charged], START, at(100))[charged.pk]
    first = START.replace(hour=11, minute=0)
    assert min(simulated.hours) == first and len(simulated.hours) == 100
    vessel = simulated.facts.box(simulated.last.period.charge)
    kelvin = 22 + ZERO_C
    saturated = float(saturation_density(kelvin))
    water_kg = 0.1 * vessel.desiccant.residual(120 + ZERO_C, 0.5 * 2644.8) + 0.030 * 0.5 * saturated
    for hour in range(len(simulated.hours)):
        rh = vessel.rh(water_kg, kelvin)
        assert simulated.hours[first + timedelta(hours=hour)][1] == pytest.approx(100 * rh, rel=2e-3)
        water_kg += 0.030 * saturated * (0.5 - rh) * 0.693147 / 33


def test_readings_of_the_room_count_and_so_do_openings(charged, shelf, nylon):
    quiet = rh_by_hour(charged, at(48))
    record_readings(shelf, [(at(h), 22, 90) for h in range(10, 20)], origin="api")
    damp = rh_by_hour(charged, at(48))
    assert damp[max(damp)] > quiet[max(quiet)]
    assert damp[START.replace(hour=19, minute=0)] == quiet[START.replace(hour=19, minute=0)]
    spool = receive(feedstock("PLA"), shelf, at=at(0), net_mass_g=1, card="dry")
    for hour in range(30, 40):
        moves.record_excursion(spool, charged, at(hour), at(hour + 0.5))
    opened = rh_by_hour(charged, at(48))
    # Each of the 20 openings lets in at most half of 30 L of room air: 0.26 g of water.
    gained = simulate_airs([charged], at(40), at(48))[charged.pk].last.water_kg
    assert opened[max(opened)] > damp[max(damp)]
    record = drybox.OPENING_SHARE * 0.030 * float(saturation_density(22 + ZERO_C)) * 0.9 * 20
    assert gained < 0.1 * 0.005 + record + 0.003


def test_an_opening_counts_from_the_next_hour_on(charged, nylon, shelf):
    spool = receive(nylon, shelf, at=at(0))
    before = rh_by_hour(charged, at(60))
    moves.move_spool(spool, charged, at=at(40.1))
    after = rh_by_hour(charged, at(60))
    hour = at(40.1).replace(minute=0)
    assert after[hour] == before[hour]
    assert after[hour + timedelta(hours=1)] > before[hour + timedelta(hours=1)]


def test_a_wet_spool_wets_the_box_and_a_dried_one_does_not(charged, nylon, shelf, dryer):
    wet, dried = receive(nylon, shelf, at=at(0), sealed=False), receive(nylon, shelf, at=at(0), sealed=False)
    (run,) = drying_runs.start_drying([dried], dryer, DryingSettings(75), at=at(5))
    drying_runs.finish_drying(run, place=charged, at=at(29))
    with_dried = rh_by_hour(charged, at(NOW_H))
    moves.move_spool(wet, charged, at=at(30))
    with_both = rh_by_hour(charged, at(NOW_H))
    last = max(with_dried)
    assert with_dried[last] < 6
    assert with_both[last] > with_dried[last] + 2


def test_regenerating_restarts_the_simulation(charged):
    put_desiccant(charged, "silica_gel", 100, condition="unknown", at=at(50))
    put_desiccant(charged, dry_mass_g=100, at=at(100), **SILICA)
    simulated = rh_by_hour(charged, at(NOW_H))
    by_age = [simulated[at(h).replace(minute=0)] for h in (1, 49, 52, 99, 102)]
    assert by_age[0] < by_age[1] < by_age[2]
    assert by_age[2] == pytest.approx(50, abs=2), "how dry it was is not known: taken as spent"
    assert by_age[4] == pytest.approx(by_age[0], abs=0.3)


def test_its_air_is_computed_where_nothing_is_read(charged, nylon):
    spool = receive(nylon, charged, at=at(1), sealed=False)
    now = climate.climate_at(charged)
    assert now.origin == "computed" and now.source.values["desiccant"]["values"]["dry_mass_g"] == 100
    assert now.rh_pct == pytest.approx(box_now(charged).computed_rh_pct)
    result = moisture_state.moisture_now(spool)
    assert result.why[0].values["origin"] == "computed"
    (past,) = history_queries.load([spool.pk], at(50), since=lambda _: at(1)).values()
    segments = list(past.segments(at(1), at(50)))
    assert {s.air.origin for s in segments} == {"computed"}
    hours = rh_by_hour(charged, at(50))
    assert all(s.air.rh_pct == hours[s.start.replace(minute=0)] for s in segments)
    # It counts as dry storage, until the desiccant is full in the last hours, or is taken out.
    assert result.exposure_hours < 6
    put_desiccant(charged, "silica_gel", 0, condition="new", at=at(50))
    assert moisture_state.moisture_now(spool).exposure_hours == pytest.approx(NOW_H - 50, abs=1)
    record_readings(charged, [(at(NOW_H - 1), 22, 33)], origin="hand")
    assert climate.climate_at(charged).rh_pct == 33


def test_spools_in_one_box_take_as_few_queries_as_one(charged, nylon, django_assert_max_num_queries):
    spools = [receive(nylon, charged, at=at(h)) for h in range(1, 9)]
    dry_box_cache.advance()
    moisture_cache.advance(spools)
    for some in (spools[:1], spools):
        with django_assert_max_num_queries(15):
            moisture_state.moisture_of(some)
