"""Costs of prints, against sums made by hand."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.costs.rates import save_rates
from maintenance.costs.shares import Cost, load_costs, load_job_cost
from maintenance.costs.usage import GROUPS, add_up, load_usage
from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool
from maintenance.models import CostRates, JobUse, PartKind
from spools.facts import withdraw
from spools.inventory.prices import set_price
from tests.maintenance.conftest import PRINT
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive

AMOUNTS = st.floats(0, 1e4)
COSTS = st.builds(Cost, AMOUNTS, AMOUNTS, AMOUNTS, AMOUNTS)


@pytest.fixture
def priced(shop, plain):
    """20 for a kilogram of PLA, 50 for gears of 500 km; an hour costs 1.50, 150 W at 0.30 for a kWh."""
    set_price(plain, Decimal(20))
    PartKind.objects.filter(pk=shop.gears.pk).update(price=50)
    PartKind.objects.filter(role__in=["nozzle", "liner"]).update(price=0)
    printer = shop.north.printer
    save_rates(CostRates(pk=1, currency="EUR", energy_per_kwh=0.30), {printer.pk: (1.5, 150.0)})
    load_spool(shop.north, plain, at=hours_ago(30), override_reason="a test")
    return plain


def record(shop, spool, **values):
    given = {"toolhead": shop.north, "spool": spool, "start": hours_ago(12)}
    return record_job(**(given | PRINT | values))


def test_a_print_costs_filament_wear_hours_and_power(shop, priced):
    cost = load_job_cost(record(shop, priced))
    # 50 g of 1,000; 2 h; and 0.3 kWh.
    assert (cost.filament, cost.machine) == (pytest.approx(1.0), pytest.approx(3.0))
    assert cost.energy == pytest.approx(0.09)
    # 50 g of PLA (1.24 g/cm3) are 40.3 cm3, at 1.75 mm 16.76 m of the gears' 500 km.
    assert cost.wear == pytest.approx(50 * 0.01676 / 500, rel=1e-3)
    assert cost.total == pytest.approx(4.09 + cost.wear) and cost.gaps == []


def test_a_price_that_is_missing_is_named_and_the_last_one_of_the_filament_counts(shop, priced):
    PartKind.objects.filter(pk=shop.gears.pk).update(price=None)
    job = record(shop, priced)
    assert [gap.code for gap in load_job_cost(job).gaps] == ["cost.no_part_price"]
    receive(shop.pla, shop.box, price=Decimal(30))
    assert load_job_cost(job).filament == pytest.approx(1.0)
    set_price(priced, None)
    assert load_job_cost(job).filament == pytest.approx(1.5)
    set_price(priced, Decimal(0))
    assert load_job_cost(job).filament == 0
    type(priced).objects.update(price=None)
    assert {gap.code for gap in load_job_cost(job).gaps} == {"cost.no_part_price", "cost.no_spool_price"}


def test_usage_counts_failures_apart_and_follows_a_withdrawal(shop, priced):
    record(shop, priced, project="lamp")
    before = load_usage("project")
    failed = record(
        shop, priced, start=hours_ago(5), stage="failed", reason="came off the bed", mass_g=20, hours=1
    )
    groups = {group.name: group for group in load_usage("project")}
    assert set(groups) == {"", "lamp"}
    assert (len(groups[""].failed), groups[""].failed_g) == (1, pytest.approx(20))
    assert groups[""].failed_cost.filament == pytest.approx(0.4)
    assert (len(groups["lamp"].failed), groups["lamp"].mass_g) == (0, pytest.approx(50))
    withdraw(failed, reason="a test")
    assert load_usage("project") == before


def test_every_grouping_adds_up_to_the_same(shop, priced):
    for start in (12, 8, 4):
        record(shop, priced, start=hours_ago(start))
    sums = [add_up(load_usage(by)) for by in GROUPS]
    assert {(len(total.jobs), round(total.hours, 9), round(total.mass_g, 9)) for total in sums} == {
        (3, 6.0, 150.0)
    }
    assert all(total.cost.total == pytest.approx(sums[0].cost.total) for total in sums)
    assert load_usage("month", since=hours_ago(3)) == []
    with refuses("unknown_group", "by"):
        load_usage("moon")


def test_costs_take_the_same_queries_for_many_prints(shop, priced, django_assert_num_queries):
    for start in (12, 8, 4):
        record(shop, priced, start=hours_ago(start))
    with django_assert_num_queries(6):
        load_costs(JobUse.objects.all())


@given(COSTS, COSTS, COSTS)
def test_costs_add_up_in_any_order(a, b, c):
    assert ((a + b) + c).total == pytest.approx(a.total + b.total + c.total)
