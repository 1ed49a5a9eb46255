"""The upkeep of toolheads on the board, from which reminders follow."""

from datetime import timedelta

import pytest
from django.utils import timezone

from background.running import run_due
from maintenance.board import toolheads
from maintenance.board.toolheads import read, read_upkeep
from maintenance.models import ServiceKind
from maintenance.reminders.conditions.flow import check_flow
from maintenance.reminders.conditions.parts import check_parts
from maintenance.reminders.conditions.service import check_services
from maintenance.service.records import record_service, save_kind
from tests.maintenance.reminders.shop_reminders import commits, is_open, wear_out
from tests.spools.conftest import hours_ago


def test_conditions_of_machines_read_the_board_alone(shop, filled, django_assert_num_queries):
    nozzle = wear_out(shop, filled)
    now = timezone.now()
    upkeep = read_upkeep(now)
    with django_assert_num_queries(3):
        assert read_upkeep(now) == upkeep
    with django_assert_num_queries(1):
        # How many are in the drawer.
        [worn] = check_parts(upkeep, now)
    assert worn.reminder.condition == (f"replace:part:{nozzle.part_id}")
    with django_assert_num_queries(0):
        assert [*check_flow(upkeep, now), *check_services(upkeep, now)] == []


@pytest.mark.parametrize("later", [timedelta(0), timedelta(hours=7)])
def test_days_since_a_service_count_on_between_two_rows(shop, later):
    look = ServiceKind(
        **{"name": "look over", "work": "other", "subject": "printer", "unit": "days", "interval": 10},
        **{"advice": "Look.", "source": "invented for tests", "how": "memory"},
    )
    record_service(save_kind(look), printer=shop.north.printer, at=hours_ago(24 * 9.8))
    now = timezone.now()
    assert bool(list(check_services(read_upkeep(now), now + later))) is bool(later)


@commits
def test_reminders_follow_rows_that_the_worker_computes(shop, filled, monkeypatch):
    read()
    monkeypatch.setattr(toolheads, "AT_ONCE", 0)
    wear_out(shop, filled)
    assert not is_open("replace")
    run_due(queue="moisture")
    assert is_open("replace")
