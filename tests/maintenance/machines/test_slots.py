"""Toolheads with several slots: a spool in each, loaded, replaced, corrected and withdrawn slot by slot."""

import pytest
import time_machine
from django.db import IntegrityError, transaction
from django.utils import timezone
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from maintenance.board.shop import load_board
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.machines.past_loadings import correct_loading
from maintenance.machines.printers import save_toolhead
from maintenance.models import Loading
from spools.facts import withdraw
from spools.inventory.moves import current_stay, move_spool
from spools.models import Stay
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(timezone.now(), tick=False):
        yield


@pytest.fixture
def changer(shop):
    """Two slots on the toolhead of South, and four dry kilograms of PLA."""
    shop.south.slots, shop.south.purge_g = 2, 1.5
    save_toolhead(shop.south)
    shop.spools = [receive(shop.pla, shop.box, card="dry") for _ in range(4)]
    return shop


def in_slots(toolhead):
    return {row.slot: row.spool for row in Loading.objects.present().filter(toolhead=toolhead)}


def test_spools_go_to_free_slots_first_and_replace_others_by_name(changer):
    first, second, third, _ = changer.spools
    assert load_spool(changer.south, first, at=hours_ago(9)).slot == 1
    assert load_spool(changer.south, second, at=hours_ago(8)).slot == 2
    with refuses("slots_taken", "slot"):
        load_spool(changer.south, third, unload_to=changer.shelf)
    with refuses("no_such_slot", "slot"):
        load_spool(changer.south, third, slot=3)
    with refuses("toolhead_taken", "unload_to", names=["slot 2"]):
        load_spool(changer.south, third, slot=2)
    load_spool(changer.south, third, slot=2, at=hours_ago(4), unload_to=changer.shelf)
    assert in_slots(changer.south) == {1: first, 2: third}
    assert current_stay(first).place == current_stay(third).place == changer.south.printer.place
    assert current_stay(second).place == changer.shelf
    assert Loading.objects.get(spool=second).end == hours_ago(4)
    board = load_board([first.pk, second.pk, third.pk])
    assert board.list_slots(board.toolheads[changer.south.pk]) == {1: first.pk, 2: third.pk}
    assert board.find_toolhead(third.pk) == changer.south and board.find_toolhead(second.pk) is None


def test_a_toolhead_keeps_the_slots_that_are_taken(changer):
    load_spool(changer.south, changer.spools[0], slot=2)
    changer.south.slots = 1
    with refuses("slot_taken", "slots"):
        save_toolhead(changer.south)
    changer.south.refresh_from_db()
    changer.south.slots = 0
    with refuses("min_value", "slots"):
        save_toolhead(changer.south)


def test_a_spool_that_leaves_frees_its_own_slot(changer):
    first, second, third, _ = changer.spools
    kept = load_spool(changer.south, first, at=hours_ago(9))
    left = load_spool(changer.south, second, at=hours_ago(8))
    move_spool(second, changer.shelf, at=hours_ago(6))
    later = load_spool(changer.south, third, at=hours_ago(3))
    kept.refresh_from_db()
    left.refresh_from_db()
    assert (kept.end, left.end, later.slot) == (None, hours_ago(6), 2)
    later = correct_loading(later, at=hours_ago(5))
    assert later.slot == 2
    # Withdrawing the move puts it back until the next one came into its slot, not until the other slot changed.
    withdraw(second.moves.get(at=hours_ago(6)), reason="a mistake")
    left.refresh_from_db()
    assert left.end == hours_ago(5)
    withdraw(later, reason="another spool")
    assert in_slots(changer.south) == {1: first, 2: second}


def test_the_database_holds_one_spool_in_a_slot(changer):
    loading = load_spool(changer.south, changer.spools[0], at=hours_ago(2))
    with pytest.raises(IntegrityError), transaction.atomic():
        Loading.objects.create(
            toolhead=changer.south, slot=1, spool=changer.spools[1], start=hours_ago(1), state=loading.state
        )


def derived():
    loadings = Loading.objects.order_by("pk").values_list("pk", "slot", "start", "end")
    return list(loadings), list(Stay.objects.values_list("spool", "place", "start", "end"))


ACTS = st.tuples(st.integers(0, 3), st.integers(1, 2), st.sampled_from(["load", "unload", "move"]))


@settings(max_examples=4, phases=[Phase.generate])
@given(st.lists(ACTS, min_size=2, max_size=4), st.integers(0, 3), st.integers(1, 2))
def test_a_loading_that_is_withdrawn_leaves_no_trace(changer, acts, last, slot):
    with transaction.atomic():
        for hour, (number, into, act) in enumerate(acts):
            spool, at = changer.spools[number], hours_ago(20 - hour)
            loading = Loading.objects.present().filter(spool=spool).first()
            if act == "load" and loading is None:
                load_spool(changer.south, spool, slot=into, at=at, unload_to=changer.shelf)
            elif act == "unload" and loading is not None:
                unload_spool(loading, changer.box, at=at)
            elif act == "move":
                move_spool(spool, changer.shelf, at=at)
        spool, before = changer.spools[last], derived()
        if loading := Loading.objects.present().filter(spool=spool).first():
            withdrawn = loading.unloading
            unload_spool(loading, changer.box, at=hours_ago(2))
            loading.refresh_from_db()
            assert loading.unloading != withdrawn
            withdraw(loading.unloading, reason="a mistake")
        else:
            there = Loading.objects.present().filter(toolhead=changer.south, slot=slot).first()
            added = load_spool(changer.south, spool, slot=slot, at=hours_ago(2), unload_to=changer.shelf)
            if there is not None:
                withdraw(there.spool.moves.valid().get(at=hours_ago(2)), reason="a mistake")
            withdraw(added, reason="a mistake")
        assert derived() == before
        transaction.set_rollback(True)
