"""The series of the shop, read by Prometheus' own parser, are what the boards say."""

import math

import pytest
from django.utils import timezone
from prometheus_client.parser import text_string_to_metric_families

from maintenance.board import toolheads
from maintenance.events.verdicts import note_verdicts
from maintenance.machines.loading import load_spool
from maintenance.metrics import render_metrics
from maintenance.metrics.shop import ESTIMATES
from maintenance.readiness.verdict import STATES
from maintenance.reminders.sweep import catch_up
from spools.air import dry_box_board
from spools.air.climate import record_readings
from spools.board import board
from spools.inventory.endings import end_spool
from spools.models import DesiccantCharge, Place
from tests.maintenance.conftest import receive
from tests.spools.conftest import hours_ago


class Samples:
    """The samples of an answer, without the prefix of their names."""

    def __init__(self) -> None:
        families = text_string_to_metric_families(render_metrics().decode())
        self.all = [sample for family in families for sample in family.samples]

    def value(self, name: str, **labels: str) -> float:
        [value] = [row.value for row in self.all if row.name == f"loadworthy_{name}" and row.labels == labels]
        return value

    def list_label(self, name: str, label: str) -> list[str]:
        return [row.labels[label] for row in self.all if row.name.startswith(f"loadworthy_{name}")]


@pytest.fixture
def used(shop, plain, wet):
    """Readings of the shelf, a box with desiccant, a spool on each toolhead; the boards are up to date."""
    record_readings(shop.shelf, [(hours_ago(n), 20.0 + n, 50.0 + n) for n in (1, 2)], origin="api")
    Place.objects.filter(pk=shop.box.pk).update(room=shop.shelf, volume_l=20, half_time_h=40)
    DesiccantCharge.objects.create(
        place=shop.box, kind="silica_gel", dry_mass_g=200, condition="new", at=hours_ago(48)
    )
    load_spool(shop.north, plain, at=hours_ago(8))
    load_spool(shop.south, wet, at=hours_ago(8), override_reason="a test")
    catch_up(timezone.now())
    return shop


def test_series_are_what_the_boards_say(used, plain, wet):
    note_verdicts({(used.north.pk, plain.pk): "caution"})
    value = Samples().value
    row, now = board.read([wet.pk])[wet.pk], timezone.now()
    assert (
        value("spool_info", spool=wet.code, feedstock="Example Works PA6", polymer="PA6", place="South") == 1
    )
    moisture = [value("spool_moisture_ratio", spool=wet.code, estimate=name) for name in ESTIMATES]
    assert moisture == pytest.approx([row.p10_pct / 100, row.p50_pct / 100, row.p90_pct / 100])
    used_up = [value("spool_moisture_limit_used_ratio", spool=spool.code) for spool in (plain, wet)]
    assert used_up[0] < 1 < used_up[1]
    assert value("spool_filament_grams", spool=wet.code) == row.mass_g
    assert value("place_temperature_celsius", place="Shelf", kind="shelf") == 21
    assert value("place_humidity_ratio", place="Shelf", kind="shelf", origin="reading") == 0.51
    [(box, answer)] = dry_box_board.read(now)
    computed = value("place_humidity_ratio", place=box.name, kind="dry_box", origin="computed")
    assert computed == answer.computed_rh_pct / 100
    assert value("box_humidity_limit_ratio", place=box.name) == box.limit_rh_pct / 100
    due_days = value("box_regeneration_due_seconds", place=box.name) / 86_400
    assert due_days == (math.inf if answer.days is None else pytest.approx(answer.days, abs=0.1))
    part = toolheads.load_stored_upkeep()[0].parts[0]
    labels = {"part": str(part.part), "kind": part.name, "machine": part.site}
    life = [value("part_life_used_ratio", **labels, estimate=name) for name in ESTIMATES]
    assert life == pytest.approx([part.age / part.life[n] for n in (2, 1, 0)]) and life == sorted(life)
    states = [value("toolhead_verdict", toolhead="North T0", slot="1", state=state) for state in STATES]
    assert states == [0, 1, 0]
    assert value("toolhead_spool_info", toolhead="South T0", slot="1", spool=wet.code) == 1
    assert value("jobs", stage="printing") == 0


def test_a_spool_that_ended_has_no_series(used, plain, wet):
    end_spool(receive(used.pla, used.box), kind="lost")
    assert {*Samples().list_label("spool_", "spool")} == {plain.code, wet.code}


def test_queries_do_not_grow_and_nothing_is_computed(used, django_assert_max_num_queries, monkeypatch):
    for _ in range(5):
        receive(used.pla, used.box)
    catch_up(timezone.now())

    def compute(*args, **kwargs):
        raise AssertionError("computed on a scrape")

    for module in (board, toolheads):
        monkeypatch.setattr(module, "compute", compute)
    monkeypatch.setattr(dry_box_board, "boxes_now", compute)
    with django_assert_max_num_queries(20):
        samples = Samples()
    assert len(samples.list_label("spool_info", "spool")) == 7
