"""Rows of the board of toolheads: stored, read while they are fresh, computed anew where they are stale."""

import json
from dataclasses import replace
from datetime import timedelta

import pytest
from django.utils import timezone

from maintenance.board.shop import load_board
from maintenance.board.toolheads import (
    MaterialState,
    digest,
    find_due,
    judge_material,
    load_materials,
    read,
    rebuild,
)
from maintenance.models import PartKind, Toolhead, ToolheadBoard
from maintenance.parts.stock import add_stock
from maintenance.readiness.builder import build_material_inputs
from maintenance.today import build_today
from spools.inventory.endings import end_spool
from spools.models import SpoolBoard
from spools.models.board import encode_outlooks
from tests.spools.conftest import feedstock, receive

SECOND, HOUR = timedelta(seconds=1), timedelta(hours=1)


@pytest.fixture
def now():
    return timezone.now()


def add_toolheads(shop, number: int) -> None:
    Toolhead.objects.bulk_create(
        Toolhead(printer=shop.north.printer, name=f"T{index}") for index in range(1, number + 1)
    )


def computed_at(**options) -> set:
    return {row.computed_at for row in read(**options).values()}


def test_fresh_rows_are_read_and_not_computed(shop, plain, now, django_assert_num_queries):
    rows = read(now=now)
    assert list(rows) == [shop.north.pk, shop.south.pk]
    assert [row.toolhead_id for row in rows.values()] == list(rows)
    with django_assert_num_queries(2):
        again = read(now=now + 8 * HOUR - SECOND)
        assert {row.computed_at for row in again.values()} == {now}
        assert [row.inputs for row in again.values()] == [row.inputs for row in rows.values()]
    assert [row.materials for row in again.values()] == [row.materials for row in rows.values()]


def test_a_row_is_computed_anew_after_its_hours_or_when_the_clock_went_back(shop, plain, now):
    assert computed_at(now=now) == {now}
    assert computed_at(now=now + 8 * HOUR) == {now + 8 * HOUR}
    assert computed_at(now=now) == {now}
    assert ToolheadBoard.objects.count() == 2


def test_only_the_row_of_a_changed_toolhead_is_computed_anew(shop, plain, now):
    read(now=now)
    shop.north.hot_end_max_c = 200
    shop.north.save()
    rows = read(now=now + HOUR)
    assert [row.computed_at for row in rows.values()] == [now + HOUR, now]
    assert rows[shop.north.pk].inputs.hot_end_max_c == 200
    assert list(read([shop.south.pk], now=now)) == [shop.south.pk]


def test_retired_printers_are_read_by_their_ids_alone(shop, plain, now):
    shop.north.printer.retired_at = now
    shop.north.printer.save()
    assert list(read(now=now)) == [shop.south.pk]
    assert list(read([shop.north.pk], now=now)) == [shop.north.pk]
    assert find_due(now + 8 * HOUR) == [shop.south.pk]


def test_a_row_has_its_turn_before_it_is_stale(shop, plain, now):
    assert find_due(now) == [shop.north.pk, shop.south.pk]
    read(now=now)
    assert find_due(now) == []
    assert find_due(now + 6 * HOUR - SECOND) == []
    assert find_due(now + 6 * HOUR) == [shop.north.pk, shop.south.pk]
    shop.south.save()
    assert find_due(now) == [shop.south.pk]


def test_a_reader_computes_25_stale_rows_and_of_more_those_that_are_missing(shop, plain, now):
    add_toolheads(shop, 23)
    read(now=now)
    assert computed_at(now=now + 8 * HOUR) == {now + 8 * HOUR}
    added = Toolhead.objects.create(printer=shop.south.printer, name="T1")
    later = now + 16 * HOUR
    rows = read(now=later)
    assert [pk for pk, row in rows.items() if row.computed_at == later] == [added.pk]
    assert {row.computed_at for pk, row in rows.items() if pk != added.pk} == {now + 8 * HOUR}


def test_a_row_has_the_state_of_each_material_in_use(shop, plain, filled, now):
    end_spool(receive(feedstock("PETG"), shop.shelf))
    materials = load_materials()
    assert set(materials) == {shop.pla.pk, shop.carbon.pk}
    row = read(now=now)[shop.north.pk]
    expected = {}
    for pk, material in materials.items():
        verdict = judge_material(material, row.inputs)
        expected[pk] = MaterialState(digest(material), verdict.state, len(verdict.reasons))
    assert row.materials == expected
    # Brass is cut by the fibre.
    assert expected[shop.carbon.pk].state == "hold" and expected[shop.pla.pk].state == "clear"
    stored = json.loads(bytes(ToolheadBoard.objects.get(pk=shop.north.pk).materials_json))
    assert stored[str(shop.pla.pk)] == [digest(materials[shop.pla.pk]), "clear", 0]


def test_a_digest_is_short_and_that_of_the_numbers(shop):
    material = build_material_inputs(shop.pla)
    assert len(digest(material)) == 12
    assert digest(material) == digest(replace(material))
    assert digest(material) != digest(replace(material, bed_max_c=material.bed_max_c + 1))


@pytest.mark.parametrize("inputs", [True, False])
def test_a_material_with_other_numbers_is_judged_again(shop, plain, now, inputs, django_assert_num_queries):
    read(now=now)
    material = build_material_inputs(shop.nylon)
    changes = [replace(material, nozzle_max_c=material.nozzle_max_c + number) for number in range(4)]
    changes.sort(key=digest)
    # Up and down their digests. The first has no state yet.
    for changed in [*changes, *reversed(changes[:-1])]:
        # One toolhead is ahead of the other.
        wanted = {shop.nylon.pk: changed}
        read([shop.south.pk], wanted, now, inputs=inputs)
        assert {
            row.materials[shop.nylon.pk].digest for row in read(None, wanted, now, inputs=inputs).values()
        } == {digest(changed)}
        with django_assert_num_queries(2):
            rows = read(None, wanted, now, inputs=inputs)
            assert [row.computed_at for row in rows.values()] == [now, now]
        assert all(set(row.materials) == {shop.pla.pk, shop.nylon.pk} for row in rows.values())
        for row in rows.values():
            assert row.materials[shop.nylon.pk].state == judge_material(changed, row.inputs).state


def test_the_inputs_are_read_at_once_or_when_they_are_used(shop, plain, now, django_assert_num_queries):
    read(now=now)
    with django_assert_num_queries(2):
        rows = read(now=now, inputs=False)
    with django_assert_num_queries(1):
        assert rows[shop.north.pk].inputs.name == "North T0"


def test_a_changed_material_makes_the_rows_stale_but_a_new_one_does_not(shop, plain, now):
    read(now=now)
    feedstock("ASA")
    assert computed_at(now=now + SECOND) == {now}
    polymer = shop.pla.polymer
    polymer.nozzle_max_c += 5
    polymer.save()
    assert computed_at(now=now + SECOND) == {now + SECOND}


def test_parts_that_come_into_the_drawer_are_counted_at_once(shop, plain):
    board = load_board([plain.pk])
    nozzle = board.inputs(shop.north.pk, plain.pk).toolhead.parts["nozzle"]
    add_stock(PartKind.objects.get(name=nozzle.name), 3)
    again = load_board([plain.pk])
    assert again.inputs(shop.north.pk, plain.pk).toolhead.parts["nozzle"].in_stock == nozzle.in_stock + 3


def test_a_rebuild_equals_what_was_read(shop, plain, now):
    rows = read(now=now)
    assert rebuild(now) == len(rows)
    assert [row.inputs for row in read(now=now).values()] == [row.inputs for row in rows.values()]


def test_rows_of_before_the_first_printer_are_chosen_by_their_present_moisture(shop, plain, wet, monkeypatch):
    build_today()
    SpoolBoard.objects.update(outlooks_json=encode_outlooks([]), good_until=timezone.now())
    # More stale rows than the page computes: it chooses by the stored ones, and computes the one that it shows.
    monkeypatch.setattr("spools.board.board.AT_ONCE", 1)
    end_spool(wet)
    receive(shop.pla, shop.box, net_mass_g=300, card="dry")
    assert [row.spool for row in build_today().ready] == [plain]
