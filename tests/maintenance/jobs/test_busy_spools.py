"""A spool in a print stays on its machine, and no drying is advised or planned for it meanwhile."""

from datetime import time, timedelta

import pytest
from django.utils import timezone

from maintenance.jobs.records import record_job
from maintenance.jobs.steps import end_job
from maintenance.machines.loading import load_spool, unload_spool
from spools.board import board
from spools.drying.runs import DryingSettings, start_drying
from spools.drying.week.plans import accept_plan, compute_plan, create_plan, store_plan
from spools.drying.week.requests import add_print_request
from spools.drying.week.slots import StaffedHours
from spools.drying.week.verify import find_violations
from spools.inventory.endings import end_spool
from spools.inventory.moves import move_spool
from spools.inventory.prints import SpoolPrint, find_free_start
from tests.maintenance.conftest import PRINT
from tests.refusals import refuses
from tests.spools.conftest import hours_ago

ALWAYS = StaffedHours(time(0), time(23, 59))
HOUR = timedelta(hours=1)


@pytest.fixture
def printing(shop, wet):
    """Wet nylon that prints for five hours more."""
    load_spool(shop.north, wet, at=hours_ago(3), override_reason="a test")
    numbers = PRINT | {"hours": 6, "nozzle_c": 265, "bed_c": 80}
    return record_job(toolhead=shop.north, spool=wet, start=hours_ago(1), **numbers)


def test_a_spool_in_a_print_stays_where_it_is(shop, wet, printing):
    for act in (
        lambda: unload_spool(wet.loadings.get(), shop.shelf),
        lambda: move_spool(wet, shop.shelf),
        lambda: end_spool(wet),
        lambda: start_drying([wet], shop.dryer, DryingSettings(70)),
    ):
        with refuses("in_a_print", names=["bracket"]):
            act()
    end_job(printing, "stopped", stopped_pct=30)
    unload_spool(wet.loadings.get(), shop.shelf)


def test_drying_is_advised_after_the_print(wet, printing):
    row = board.read([wet.pk], timezone.now())[wet.pk]
    drying = row.advice.values["drying"]
    assert drying["starts_at"] >= printing.end.isoformat()[:19]
    end_job(printing, "stopped", stopped_pct=30)
    row = board.read([wet.pk], timezone.now())[wet.pk]
    assert row.advice.values["drying"]["starts_at"] < printing.end.isoformat()[:19]


def test_the_week_plans_no_drying_into_a_print(shop, wet, printing):
    add_print_request(wet, 100, timezone.now() + 60 * HOUR)
    plan = create_plan(ALWAYS)
    plan = accept_plan(store_plan(plan, compute_plan(plan)))
    [drying] = plan.standing()
    assert drying.start >= printing.end
    assert find_violations(plan) == []
    end_job(printing, "stopped", stopped_pct=30)
    later = PRINT | {"hours": 8, "nozzle_c": 265, "bed_c": 80, "stage": "planned"}
    record_job(toolhead=shop.north, spool=wet, start=drying.start, **later)
    codes = [violation.reason.code for violation in find_violations(plan)]
    assert codes == ["violation.in_a_print", "violation.drying_broken"]


def test_reserved_grams_serve_no_request(shop, wet, printing):
    add_print_request(wet, 900, timezone.now() + 60 * HOUR)
    more = PRINT | {"mass_g": 400, "nozzle_c": 265, "bed_c": 80, "stage": "planned"}
    record_job(toolhead=shop.north, spool=wet, start=printing.end, **more)
    plan = create_plan(ALWAYS)
    plan = store_plan(plan, compute_plan(plan))
    assert not list(plan.standing())


@pytest.mark.parametrize(
    ("start_h", "hours", "free_h"), [(0, 1, 0), (0, 2.5, 5), (2.5, 1, 5), (5, 9, 5), (4, 9, 5), (6, 9, 6)]
)
def test_a_free_start_lies_between_prints(start_h, hours, free_h):
    now = timezone.now()
    prints = [SpoolPrint("a", now + 2 * HOUR, now + 5 * HOUR, 10, False)]
    assert find_free_start(prints, now + start_h * HOUR, hours) == now + free_h * HOUR
