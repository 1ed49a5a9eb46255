"""The air ahead in a dry box: common practice is that a gasketed box with silica gel keeps nylon good for a year."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from spools.air.dry_box import put_desiccant
from spools.board import board
from spools.drying.dryers import load_dryers
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.drying.storage import choose_driest, load_storages
from spools.inventory import moves
from spools.models import Place, SpoolBoard
from spools.moisture.state import moisture_now
from tests.spools.conftest import hours_ago, receive

YEAR_H = 366 * 24
# 0.1 air changes a day: a case that is very well sealed, as a gasketed box is.
GASKETED = {"kind": "dry_box", "volume_l": 15, "half_time_h": 166, "feeds": True}


def fill(box, at, grams=500):
    """With gel that was regenerated in a dryer of the shop."""
    put_desiccant(box, "silica_gel", grams, condition="regenerated", regenerated_c=65, at=at)


def dry_into(spool, dryer, place, at):
    (run,) = start_drying([spool], dryer, DryingSettings(75), at=at - timedelta(hours=40))
    finish_drying(run, place=place, at=at)


def test_a_gasketed_box_with_silica_gel_has_kept_nylon_good_for_a_year(nylon, shelf, dryer):
    box = Place.objects.create(name="Dry box", room=shelf, **GASKETED)
    spool = receive(nylon, shelf, at=hours_ago(YEAR_H + 50), core_material="pc")
    fill(box, hours_ago(YEAR_H + 2))
    dry_into(spool, dryer, box, hours_ago(YEAR_H))
    assert board.read([spool.pk])[spool.pk].state == SpoolBoard.State.CLEAR


@pytest.mark.parametrize(("leak_h", "is_good"), [(166, True), (8, False)], ids=["gasketed", "loose lid"])
def test_the_page_shows_that_such_a_box_will_keep_it_good_for_a_year(
    nylon, shelf, dryer, admin_client, leak_h, is_good
):
    box = Place.objects.create(name="Dry box", room=shelf, **(GASKETED | {"half_time_h": leak_h}))
    spool = receive(nylon, shelf, at=hours_ago(60), core_material="pc")
    fill(box, hours_ago(20))
    dry_into(spool, dryer, box, hours_ago(1))
    row = board.read([spool.pk])[spool.pk]
    assert (row.prints_well_until is None and row.printable_until is None) == is_good
    shown = admin_client.get(reverse("spool", args=[spool.code])).content.decode()
    assert ("it prints well and stays printable for a year and more" in shown) == is_good
    if not is_good:
        assert hours_ago(-7 * 24) < row.prints_well_until < hours_ago(-YEAR_H), "its desiccant fills up"


def test_openings_wear_desiccant_out_sooner_and_the_driest_storage_is_the_driest_in_a_week(
    nylon, shelf, dryer
):
    quiet, busy = (Place.objects.create(name=name, room=shelf, **GASKETED) for name in ("Quiet", "Busy"))
    foil = Place.objects.create(name="Bags", kind="bag", film="foil", sachet_g=10, room=shelf)
    for box in (quiet, busy):
        fill(box, hours_ago(300), grams=100)
    spool = receive(nylon, shelf, at=hours_ago(400), core_material="pc")
    for days in range(9, 2, -1):
        moves.record_excursion(spool, busy, hours_ago(24 * days + 1), hours_ago(24 * days))
    winding = moisture_now(spool).winding
    storages = {storage.place: storage for storage in load_storages(timezone.now())}
    assert dryer not in storages
    quiet_airs, busy_airs = (storages[box].airs(spool, winding) for box in (quiet, busy))
    assert storages[busy].box.air_changes_s > 3 * storages[quiet].box.air_changes_s
    assert busy_airs[-1].rh_pct > quiet_airs[-1].rh_pct + 5
    dry_into(spool, dryer, shelf, hours_ago(0.1))
    dried = moisture_now(spool).winding
    assert storages[foil].airs(spool, dried)[20].rh_pct < 10 < storages[foil].climate.rh_pct
    assert choose_driest(load_dryers(timezone.now()).storages, spool, dried).place in (quiet, foil)
