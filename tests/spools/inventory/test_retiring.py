"""Places and feedstocks out of use: not offered, with their history as it was."""

import pytest

from spools.drying.storage import load_storages
from spools.inventory.assumptions import save_place
from spools.inventory.moves import move_spool
from spools.inventory.retiring import (
    bring_back_feedstock,
    bring_back_place,
    retire_feedstock,
    retire_place,
    set_printer_place,
)
from spools.models import Place
from tests.refusals import refuses

pytestmark = pytest.mark.django_db


def test_an_empty_place_goes_out_of_use_and_comes_back(spool, box, shelf):
    with refuses("place_occupied"):
        retire_place(shelf)
    move_spool(spool, box)
    with refuses("place_occupied"):
        retire_place(box)
    retired = retire_place(shelf)
    assert retired.retired_at and retired.version == shelf.version + 1
    assert shelf not in Place.objects.in_use() and spool.stays.filter(place=shelf).exists()
    with refuses("out_of_use_already"):
        retire_place(shelf)
    assert bring_back_place(shelf).retired_at is None
    with refuses("in_use_already"):
        bring_back_place(shelf)


def test_a_room_in_which_places_stand_stays(shelf):
    save_place(Place(name="Box", kind="dry_box", room=shelf))
    with refuses("room_of_places"):
        retire_place(shelf)


def test_advice_names_no_storage_that_is_out_of_use(box, shelf):
    retire_place(shelf)
    assert [storage.place for storage in load_storages()] == [box]


def test_the_place_of_a_printer_follows_its_printer(db):
    place = save_place(Place(name="West", kind="printer"))
    with refuses("place_of_printer"):
        retire_place(place)
    place.name = "Far west"
    with refuses("name_of_printer", "name"):
        save_place(place)
    place = set_printer_place(place, name="East", retired=True)
    assert (place.name, place.retired_at is not None) == ("East", True)


def test_a_feedstock_is_no_longer_bought(spool):
    feedstock = retire_feedstock(spool.feedstock)
    assert feedstock.retired_at
    with refuses("out_of_use_already"):
        retire_feedstock(feedstock)
    assert bring_back_feedstock(feedstock).retired_at is None
    with refuses("in_use_already"):
        bring_back_feedstock(feedstock)
