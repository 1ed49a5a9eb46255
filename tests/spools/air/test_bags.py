"""A re-closed bag is a small box: film, sachet and one spool share the water that gets in."""

from datetime import timedelta

import pytest
from django.utils import timezone

from spools.air import bags
from spools.air.climate import record_readings
from spools.air.dry_box import put_desiccant
from spools.board import board
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.drying.storage import forecast_storage, load_storages
from spools.inventory import moves
from spools.inventory.assumptions import save_place
from spools.models import Place
from spools.moisture import cache as moisture_cache
from spools.moisture.exposure_hours import Exposure
from spools.moisture.history_queries import load
from spools.moisture.state import moisture_now, moisture_of
from spools.physics.drybox import half_time_s
from tests.refusals import refuses
from tests.spools.conftest import feedstock, hours_ago, receive


@pytest.fixture
def film_bag(shelf):
    """Makes a place of bags of a film, with a sachet of so many grams."""

    def make(film: str, sachet_g: float = 5.0) -> Place:
        return save_place(
            Place(name=f"{film} bags {sachet_g}", kind="bag", film=film, sachet_g=sachet_g, room=shelf)
        )

    return make


def history_of(spool):
    return load([spool.pk], hours_ago(0), lambda history: history.spool.received_at)[spool.pk]


def dried(spool, dryer, place, at):
    (run,) = start_drying([spool], dryer, DryingSettings(75), at=at - timedelta(hours=40))
    finish_drying(run, place=place, at=at)
    return spool


def test_the_films_leak_in_the_order_of_the_trade():
    half_times_h = [
        half_time_s(bags.air_changes_s(film)) / 3600
        for film in ("zip", "thin_pe", "vacuum", "metallised", "foil")
    ]
    assert half_times_h == sorted(half_times_h)
    # A welded PE bag without a sachet follows its room within hours, a foil bag within weeks.
    assert 1 < half_times_h[1] < 6 and 200 < half_times_h[4] < 1500


@pytest.mark.parametrize(("film", "least_d", "most_d"), [("thin_pe", 7, 60), ("foil", 60, None)])
def test_dried_nylon_stays_good_for_weeks_in_a_bag(shelf, dryer, film_bag, film, least_d, most_d):
    """Trade: weeks in a thin PE bag with 5 g of gel, far longer in foil; an endless room at 50 % RH takes days."""
    fine = dried(
        receive(feedstock("PA12"), shelf, at=hours_ago(200), core_material="pc"), dryer, shelf, hours_ago(1)
    )
    place = film_bag(film)
    winding = moisture_now(fine).winding
    good = {
        storage.place: storage
        for (storages) in forecast_storage([fine], [winding], [None], load_storages())
        for storage in storages
    }
    hours = good[place].printable_h
    if most_d is None:
        assert hours is None or hours > 24 * least_d
    else:
        assert hours is not None and 24 * least_d < hours < 24 * most_d


def test_the_air_of_a_bag_is_computed_for_each_spool_alone(nylon, shelf, dryer, film_bag):
    place = film_bag("foil")
    dry = dried(receive(nylon, shelf, at=hours_ago(300), core_material="pc"), dryer, place, hours_ago(100))
    wet = receive(nylon, shelf, at=hours_ago(300), sealed=False)
    moves.move_spool(wet, place, at=hours_ago(100))
    dry_air, wet_air = (history_of(spool).segment_at(hours_ago(20)) for spool in (dry, wet))
    assert dry_air.air.origin == wet_air.air.origin == "computed"
    assert dry_air.air.rh_pct < 15 < 30 < wet_air.air.rh_pct
    assert (dry_air.kind, wet_air.kind) == (Exposure.DRY, Exposure.EXPOSED)
    closed = moisture_of([wet], hours_ago(99))[wet.pk].mean_pct.p50
    assert moisture_now(wet).mean_pct.p50 == pytest.approx(closed, rel=0.05), (
        "little water leaves a closed bag"
    )


def test_a_bag_is_continued_to_the_bit_and_follows_late_readings_of_its_room(nylon, shelf, film_bag):
    place = film_bag("thin_pe", 0.0)
    spool = receive(nylon, shelf, at=hours_ago(300), sealed=False)
    moves.move_spool(spool, place, at=hours_ago(200))
    for hours in (150, 99.5, 40, 0):
        moisture_cache.advance([spool], hours_ago(hours))
    assert moisture_cache.rebuild([spool]) == []
    before = moisture_now(spool).mean_pct.p50
    record_readings(shelf, [(hours_ago(h), 22, 90) for h in range(180)], origin="api")
    assert moisture_now(spool).mean_pct.p50 > before
    moisture_cache.advance([spool])
    assert moisture_cache.rebuild([spool]) == []


def test_the_forecast_of_the_board_goes_on_in_the_bag(nylon, shelf, dryer, film_bag):
    spools = {}
    for film in ("thin_pe", "foil"):
        place = film_bag(film)
        spool = receive(nylon, shelf, at=hours_ago(300), core_material="pc")
        spools[film] = dried(spool, dryer, place, hours_ago(2))
    rows = board.read([spool.pk for spool in spools.values()])
    thin, foil = (rows[spools[film].pk].printable_until for film in ("thin_pe", "foil"))
    assert thin is not None and thin > hours_ago(-5 * 24)
    assert foil is None or foil > thin + timedelta(days=20)


def test_only_bags_have_a_film_and_without_a_room_nothing_is_computed(nylon, shelf):
    with refuses("not_a_bag"):
        save_place(Place(name="Tub", kind="dry_box", film="foil"))
    place = save_place(Place(name="Roomless", kind="bag", film="foil"))
    spool = receive(nylon, place, sealed=False)
    assert history_of(spool).segment_at(hours_ago(1)).air.origin == "assumed"


def test_a_bag_in_a_dry_box_leaks_into_the_air_of_the_box(nylon, shelf, dryer, film_bag):
    fields = {"kind": "dry_box", "volume_l": 30, "half_time_h": 55}
    box = save_place(Place(name="Box", room=shelf, **fields))
    put_desiccant(box, "silica_gel", 300, condition="new", at=hours_ago(200))
    in_box = save_place(Place(name="Bags in the box", kind="bag", film="thin_pe", room=box))
    spools = [receive(nylon, shelf, at=hours_ago(300), core_material="pc") for _ in range(2)]
    for spool, place in zip(spools, (in_box, film_bag("thin_pe", 0)), strict=True):
        dried(spool, dryer, place, hours_ago(100))
    inside, outside = (history_of(spool).segment_at(hours_ago(0)).air.rh_pct for spool in spools)
    assert inside < 6 < outside
    rows = board.read([spool.pk for spool in spools])
    assert rows[spools[1].pk].printable_until < hours_ago(-60 * 24)
    assert rows[spools[0].pk].printable_until is None
    put_desiccant(box, "silica_gel", 0, condition="unknown", at=hours_ago(50))
    assert board.find_stale(timezone.now()) == [spools[0].pk]
    assert board.read([spools[0].pk])[spools[0].pk].air_rh_pct > inside
    with refuses("not_a_room", "room"):
        save_place(Place(name="Box in a box", room=box, **fields))
