"""The inputs that decide whether a spool is over a limit, and the measurements that narrow its range."""

import pytest
from django.utils import timezone

from spools.air.climate import record_readings
from spools.air.salt_checks import record_salt_check
from spools.board import board
from spools.models import Place, SpoolBoard
from tests.spools.conftest import hours_ago, receive

pytestmark = pytest.mark.django_db
DAYS = 30


def read_box(box: Place, rh_pct: float) -> None:
    record_readings(box, [(hours_ago(h), 22, rh_pct) for h in range(1, 24 * DAYS, 6)], origin="api")


def row_of(spool) -> SpoolBoard:
    board.refresh([spool.pk], timezone.now())
    return SpoolBoard.objects.get(pk=spool.pk)


def remedies(row: SpoolBoard) -> dict[str, str]:
    return {
        statement.code.removeprefix("decided_by."): statement.values["remedy"] for statement in row.decided_by
    }


@pytest.fixture
def boxed(nylon, box):
    """Nylon that came dry into the dry box a month ago."""
    return receive(nylon, box, at=hours_ago(24 * DAYS), sealed=True, card="dry")


def test_the_hygrometer_of_a_dry_box_decides_and_a_salt_check_narrows(boxed, box):
    read_box(box, 8)
    unchecked = row_of(boxed)
    assert unchecked.state == "caution"
    assert remedies(unchecked)["hygrometer"] == "salt_check"
    (hygrometer,) = [row for row in unchecked.decided_by if row.code == "decided_by.hygrometer"]
    assert (hygrometer.values["place_id"], hygrometer.values["place"]) == (box.pk, box.name)
    assert hygrometer.values["share_pct"] >= 20
    record_salt_check(box, 75.3, 25, at=hours_ago(24 * DAYS - 12))
    checked = row_of(boxed)
    assert "hygrometer" not in remedies(checked)
    assert checked.p90_pct - checked.p10_pct < 0.95 * (unchecked.p90_pct - unchecked.p10_pct)


def test_air_that_nothing_measures_asks_for_a_hygrometer(boxed, box):
    Place.objects.filter(pk=box.pk).update(assumed_rh_pct=6)
    assert remedies(row_of(boxed))["unmeasured_air"] == "hygrometer"


def test_nothing_decides_where_no_measurement_would_change_the_verdict(nylon, shelf):
    wet = row_of(receive(nylon, shelf))
    assert (wet.over_hold, wet.decided_by) == (1, [])


def test_the_wetness_on_arrival_decides_about_a_spool_that_just_came(nylon, bag):
    row = row_of(receive(nylon, bag, at=hours_ago(1), sealed=True, card="dry"))
    assert remedies(row)["start_wetness"] == "weigh"
