import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool
from maintenance.models import Toolhead
from maintenance.parts.fitting import remove_part
from maintenance.readiness.builder import load_inputs, require_possible_job, verdict, verdicts
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, Remedy
from spools.board import board
from spools.drying.heat_budget import compute_heat
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.inventory.ledger import take, weigh
from spools.moisture.state import moisture_now
from tests.maintenance.conftest import PRINT
from tests.maintenance.readiness.test_rules import says
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive

SMALL = JobSpec(50, 2, 205, 55)


def states(found) -> dict[str, str]:
    return {check.name: check.state for check in found.checks}


def test_a_dry_plain_spool_is_clear(shop, plain):
    found = verdict(shop.south, plain, SMALL)
    assert set(states(found).values()) == {CLEAR}, found.reasons


def test_a_spool_that_lay_open_is_on_hold_for_its_moisture(shop, wet):
    row = board.read([wet.pk])[wet.pk]
    found = verdict(shop.south, wet)
    assert states(found)["moisture"] == HOLD
    moisture = next(check for check in found.checks if check.name == "moisture")
    # Printed in 2 h, in the drier air of the printer.
    likely = moisture_now(wet).ahead(1, 24, 30).outer_pct(50).p50
    assert says(moisture, "moisture_over_print_limit", mass_g=50, printed_before_g=0, after_h=0)
    assert moisture.statement.values["likely_pct"] == pytest.approx(likely, rel=0.01)
    assert moisture.remedy == Remedy("dry", row.advice)
    assert moisture.remedy.statement.values["drying"]["stages"][-1][0] in (75, 80)


def test_the_printers_air_counts_until_the_end_of_the_print(shop, plain):
    place = shop.south.printer.place
    place.assumed_rh_pct, place.assumed_temperature_c, place.moved_air = 95, 30, True
    place.save()
    short, long = (states(verdict(shop.south, plain, JobSpec(50, h, 205, 55))) for h in (0.1, 200))
    assert (short["moisture"], long["moisture"]) == (CLEAR, HOLD)


def test_a_large_job_reaches_the_wet_turns_below_a_dry_rim(shop, wet):
    [run] = start_drying([wet], shop.dryer, DryingSettings(75, planned_hours=9), at=hours_ago(10))
    finish_drying(run, place=shop.box, at=hours_ago(1))
    small, large = (
        next(check for check in verdict(shop.south, wet, job).checks if check.name == "moisture")
        for job in (JobSpec(50, 2, 265, 80), JobSpec(600, 24, 265, 80))
    )
    assert small.statement.values["printed_before_g"] == 0
    values = large.statement.values
    assert values["mass_g"] == 50
    assert values["likely_pct"] > 1.2 * small.statement.values["likely_pct"]
    # The wettest are the innermost ones, which the job reaches last.
    assert values["printed_before_g"] == pytest.approx(550)
    assert values["after_h"] == pytest.approx(22)


def test_filler_on_brass_is_a_hold_and_on_steel_is_clear(shop, filled):
    found = verdicts([(shop.north, filled), (shop.south, filled)])
    assert states(found[shop.north.pk, filled.pk])["abrasion"] == HOLD
    assert states(found[shop.south.pk, filled.pk])["abrasion"] == CLEAR


def test_the_wear_of_the_job_itself_counts(shop, filled):
    # 60 g are 0.039 km of an expected 0.17 (10 % by 0.055); 900 g are 0.58 km (90 % by 0.49).
    small = verdict(shop.north, filled, JobSpec(60, 5, 205, 55))
    large = verdict(shop.north, filled, JobSpec(900, 60, 205, 55))
    assert (states(small)["nozzle life"], states(large)["nozzle life"]) == (CLEAR, HOLD)


def test_past_jobs_count(shop, filled):
    load_spool(shop.north, filled, at=hours_ago(30), override_reason="a test")
    values = PRINT | {"mass_g": 300}
    record_job(toolhead=shop.north, spool=filled, start=hours_ago(20), override_reason="a test", **values)
    assert states(verdict(shop.north, filled, SMALL))["nozzle life"] == CAUTION
    then = verdict(shop.north, filled, SMALL, at=hours_ago(25))
    assert states(then)["nozzle life"] == CLEAR


def test_without_a_nozzle_it_is_a_hold(shop, plain):
    remove_part(shop.south.fittings.get(role="nozzle"), removal="sound")
    assert states(verdict(shop.south, plain))["nozzle"] == HOLD


def test_a_spool_in_the_dryer_waits_for_its_end(shop, wet):
    start_drying([wet], shop.dryer, DryingSettings(75, planned_hours=10), at=hours_ago(2))
    row = board.read([wet.pk])[wet.pk]
    check = next(check for check in verdict(shop.south, wet).checks if check.name == "drying")
    assert check.state == HOLD and says(check, "in_run", dryer="Dryer", set_point_c=75, first_h=None)
    assert check.remedy == Remedy("wait", row.advice)
    assert check.remedy.statement.code == "advice.in_run"


def test_a_polyamide_without_heat_left_is_not_to_be_dried_as_usual(shop, wet):
    # 100 h at 80 °C are all that it may have (fixtures/reference/thermal_values.csv, air heat budget).
    for ended_h_ago in (125, 64):
        [run] = start_drying(
            [wet], shop.dryer, DryingSettings(80, planned_hours=46), at=hours_ago(ended_h_ago + 46)
        )
        finish_drying(run, place=shop.shelf, at=hours_ago(ended_h_ago))
    advice = load_inputs(shop.south, wet).spool.dry_advice
    share = compute_heat(wet, list(wet.drying_runs.all()), timezone.now()).life_share
    assert 0.5 < share < 1 and advice.code == "advice.heat_used"


def test_a_small_job_is_no_more_than_what_is_left(shop, plain):
    weigh(plain, 200 + 30, resolution_g=1)
    assert load_inputs(shop.south, plain).job.mass_g == 50
    assert states(verdict(shop.south, plain))["quantity"] == CLEAR


def test_an_empty_spool_is_short_of_any_job(shop, plain):
    take(plain, 1000)
    weigh(plain, 200)
    assert states(verdict(shop.south, plain))["quantity"] != CLEAR


def test_a_small_job_stays_within_what_the_machine_gives(shop, wet):
    printer = shop.south.printer
    printer.bed_max_c = 60
    printer.save()
    assert load_inputs(shop.south, wet).job.bed_c == 60
    shop.south.hot_end_max_c = 240
    shop.south.save()
    assert states(verdict(shop.south, wet))["temperature"] == HOLD


def test_without_a_dryer_the_remedy_says_so(shop, wet):
    shop.dryer.delete()
    assert load_inputs(shop.south, wet).spool.dry_advice.code == "advice.no_dryer"


@pytest.mark.parametrize(
    ("numbers", "field", "limits"),
    [
        ((-1, 2, 205, 55), "mass_g", ["0.01", "20000 g"]),
        ((50, 0, 205, 55), "hours", ["0.01", "1000 h"]),
        ((50, 2, 601, 55), "nozzle_c", ["0", "600 °C"]),
        ((50, 2, 205, 301), "bed_c", ["0", "300 °C"]),
        ((float("nan"), 2, 205, 55), "mass_g", ["0.01", "20000 g"]),
    ],
)
def test_a_job_that_no_printer_makes_is_refused(numbers, field, limits):
    with refuses("out_of_range", field, names=limits):
        require_possible_job(JobSpec(*numbers))


def test_many_pairs_take_as_many_queries_as_one(shop):
    spools = [receive(feedstock, shop.box, card="dry") for feedstock in (shop.pla, shop.nylon) for _ in "ab"]
    toolheads = list(Toolhead.objects.all())
    with CaptureQueriesContext(connection) as one:
        verdicts([(toolheads[0], spools[-1])])
    with CaptureQueriesContext(connection) as many:
        found = verdicts([(toolhead, spool) for toolhead in toolheads for spool in spools])
    assert len(found) == 8
    assert len(many) == len(one) <= 30


def test_a_pair_alone_is_judged_as_among_others(shop, plain, wet, filled):
    pairs = [(toolhead, spool) for toolhead in (shop.north, shop.south) for spool in (plain, wet, filled)]
    together = verdicts(pairs, SMALL)
    for toolhead, spool in pairs:
        assert verdict(toolhead, spool, SMALL).state == together[toolhead.pk, spool.pk].state
