"""Flow checks kept, looked up, judged by and charted, in an invented shop."""

from datetime import timedelta

import numpy as np
import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from maintenance.changes import FLOW, PARTS
from maintenance.flow.control_chart import START
from maintenance.flow.curve import RateMasses
from maintenance.flow.diagnosis import GEARS, NO_FAULT
from maintenance.flow.history import (
    CheckSeries,
    evaluate_checks,
    group_into_series,
    load_current_series,
    load_last_checks,
    load_series_with,
    material_of,
)
from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool
from maintenance.models import Fitting, FlowBlob, FlowCheck, Reminder, Toolhead
from maintenance.parts.fitting import replace_part
from maintenance.parts.stock import add_stock
from maintenance.readiness.builder import verdict
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD
from maintenance.reminders.sweep import sweep, sweep_subjects
from spools.facts import withdraw
from spools.inventory.ledger import remaining
from spools.models import MassEntry
from tests.maintenance.conftest import LONG_AGO, kind, life_left
from tests.maintenance.flow.flow_lab import RATES, check, true_loss, weigh
from tests.maintenance.readiness.test_rules import says
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive


def everything() -> list[int]:
    return [m.objects.count() for m in (FlowCheck, FlowBlob, MassEntry, Reminder)]


@pytest.fixture
def loaded(shop, plain):
    """Plain PLA, on south since eight days."""
    load_spool(shop.south, plain, at=hours_ago(200), override_reason="a test")
    return plain


def every_series(toolhead: Toolhead) -> list[CheckSeries]:
    """All series of a toolhead, from all its checks."""
    return group_into_series(evaluate_checks(FlowCheck.objects.valid().filter(toolhead=toolhead)))


def due(kind_: str) -> list[Reminder]:
    return list(Reminder.objects.filter(kind=kind_, ended_at=None))


# Kept and withdrawn


def test_a_check_is_stored_with_its_blobs_and_takes_their_grams(shop, loaded):
    before_g = remaining(loaded).mass_g
    created = check(shop.south, loaded, hours_ago(100), note="after the move", by=shop.user)
    assert created.blobs.count() == 12 and created.diameter_mm == 1.75
    blobs_g = sum(blob.mass_g for blob in created.blobs.all())
    assert before_g - remaining(loaded).mass_g == pytest.approx(blobs_g)
    [found] = evaluate_checks(FlowCheck.objects.all())
    assert found.curve.losses == pytest.approx([true_loss(rate) for rate in RATES], abs=0.002)
    assert found.usable()[0].likely_mm3_s == pytest.approx(9.33, abs=0.3)
    assert set(found.fitted) == {"nozzle", "gears"}


def test_a_withdrawn_check_stays_and_counts_no_more(shop, loaded):
    before_g = remaining(loaded).mass_g
    created = check(shop.south, loaded, hours_ago(100))
    withdraw(created, reason="weighed the wrong blobs")
    assert remaining(loaded).mass_g == pytest.approx(before_g)
    assert FlowCheck.objects.count() == 1 and every_series(shop.south) == []
    with refuses("withdrawn_already"):
        withdraw(created, reason="again")
    with refuses("text_length", "reason"):
        withdraw(check(shop.south, loaded, hours_ago(100)), reason=" ")


GOOD = [RateMasses(1, (0.59,)), RateMasses(3, (0.57,)), RateMasses(5, (0.55,))]
REFUSED = {
    "a blob heavier than its filament": ({"rates": [*GOOD, RateMasses(8, (0.7,))]}, "mass_too_heavy"),
    "a reference of nothing": ({"rates": [RateMasses(1, (0.0,)), *GOOD[1:]]}, "reference_weighs_nothing"),
    "rates out of order": ({"rates": GOOD[::-1]}, "rates_not_rising"),
    "a rate twice": ({"rates": [*GOOD, GOOD[-1]]}, "rate_twice"),
    "a mass that is no number": ({"rates": [*GOOD, RateMasses(8, (float("nan"),))]}, "mass_out_of_range"),
    "a rate that is no number": ({"rates": [*GOOD, RateMasses(float("inf"), (0.5,))]}, "rate_out_of_range"),
    "a coarse scale": ({"rates": GOOD, "resolution_g": 0.1}, "scale_too_coarse"),
    "a length of nothing": ({"rates": GOOD, "length_mm": 0}, "out_of_range"),
    "a diameter of nothing": ({"rates": GOOD, "diameter_mm": 0}, "out_of_range"),
    "a tolerance that is no number": ({"rates": GOOD, "diameter_tolerance_mm": "wide"}, "out_of_range"),
    "a nozzle without end": ({"rates": GOOD, "nozzle_c": float("inf")}, "out_of_range"),
    "a long note": ({"rates": GOOD, "note": "x" * 301}, "max_length"),
    "in the future": ({"rates": GOOD, "at": hours_ago(-2)}, "in_the_future"),
    "before it was loaded": ({"rates": GOOD, "at": hours_ago(210)}, "not_loaded_then"),
}


def test_impossible_input_is_refused_and_nothing_is_stored(shop, loaded):
    before = everything()
    for what, (values, code) in REFUSED.items():
        with refuses(code), transaction.atomic():
            check(shop.south, loaded, **({"at": hours_ago(100)} | values))
        assert everything() == before, what


def test_a_catalogue_corrected_later_breaks_no_stored_check(shop, loaded):
    check(shop.south, loaded, hours_ago(100))
    shop.pla.density_g_cm3 = 0.9
    shop.pla.save()
    [found] = evaluate_checks(FlowCheck.objects.all())
    assert found.curve.losses[-1] == pytest.approx(true_loss(12), abs=0.002)


# Of one kind


def test_only_checks_of_the_same_parts_and_polymer_are_compared(shop, loaded):
    check(shop.south, loaded, hours_ago(100))
    later = check(shop.south, loaded, hours_ago(90), slip=1)
    [series] = every_series(shop.south)
    assert series.baseline.check.at < later.at
    assert series.diagnosis(series.latest).cause == GEARS
    check(shop.south, loaded, hours_ago(80), nozzle_c=235)
    check(shop.south, loaded, hours_ago(70), rates=weigh(loaded, rates=(2.0, *RATES[1:])))
    replace_part(shop.south, "gears", shop.gears, at=hours_ago(60))
    check(shop.south, loaded, hours_ago(50))
    newest, *older = every_series(shop.south)
    assert [len(series.checks) for series in older] == [1, 1, 2]
    assert newest.diagnosis(newest.latest).cause == NO_FAULT


def test_a_part_recorded_late_still_counts(shop, loaded):
    check(shop.south, loaded, hours_ago(100))
    check(shop.south, loaded, hours_ago(80))
    replace_part(shop.south, "gears", shop.gears, at=hours_ago(90))
    assert [len(series.checks) for series in every_series(shop.south)] == [1, 1]


def pks(series: CheckSeries) -> list[int]:
    return [check.check.pk for check in series.checks]


def test_queries_do_not_grow_with_the_checks_and_only_those_of_the_present_parts_are_loaded(shop, loaded):
    def load(evaluated) -> int:
        with CaptureQueriesContext(connection) as queries:
            [found] = load_current_series([shop.south.pk], timezone.now()).values()
            load_last_checks([shop.south.pk], timezone.now())
        assert sum(len(series.checks) for series in found) == evaluated
        return len(queries)

    check(shop.south, loaded, hours_ago(100))
    few = load(1)
    for hours in (90, 80, 70):
        check(shop.south, loaded, hours_ago(hours))
    assert load(4) == few
    replace_part(shop.south, "gears", shop.gears, at=hours_ago(60))
    check(shop.south, loaded, hours_ago(50))
    assert load(1) == few


def test_current_series_are_those_of_all_series_whose_parts_are_on(shop, loaded):
    """Gears that come back go on with their series; at a past time, the parts of then count."""
    first = shop.south.fittings.get(role="gears", end=None).part
    for hours, nozzle_c in ((110, 215), (105, 235), (100, 215)):
        check(shop.south, loaded, hours_ago(hours), nozzle_c=nozzle_c)
    replace_part(shop.south, "gears", shop.gears, at=hours_ago(90), removal="sound")
    check(shop.south, loaded, hours_ago(80))
    second = every_series(shop.south)[0]
    shop.south.fittings.filter(role="gears", end=None).update(end=hours_ago(70), removal="sound")
    Fitting.objects.create(part=first, toolhead=shop.south, role="gears", start=hours_ago(70))
    check(shop.south, loaded, hours_ago(60))
    newest, *_, older = [series for series in every_series(shop.south) if pks(series) != pks(second)]
    [found] = load_current_series([shop.south.pk], timezone.now()).values()
    assert [pks(series) for series in found] == [pks(newest), pks(older)]
    assert len(newest.checks) == 3
    [then] = load_current_series([shop.south.pk], hours_ago(75)).values()
    assert [pks(series) for series in then] == [pks(second)]
    for series in every_series(shop.south):
        for member in series.checks:
            assert pks(load_series_with(member)) == pks(series)


def test_a_check_that_does_not_reach_the_charted_flow_is_not_charted(shop, loaded):
    check(shop.south, loaded, hours_ago(100))
    check(shop.south, loaded, hours_ago(90), rates=weigh(loaded, rates=RATES[:3]))
    [series] = every_series(shop.south)
    assert (len(series.checks), len(series.charted)) == (2, 1)


# Readiness


def flow_of(shop, spool, max_flow_mm3_s: float | None, nozzle_c: float = 215):
    found = verdict(shop.south, spool, JobSpec(50, 2, nozzle_c, 55, max_flow_mm3_s))
    return next((item for item in found.checks if item.name == "flow"), None)


def test_a_job_is_judged_by_the_last_flow_check(shop, loaded):
    assert flow_of(shop, loaded, None) is None
    assert flow_of(shop, loaded, 5).state == CAUTION
    check(shop.south, loaded, hours_ago(100), slip=1)
    # Twice the usual loss: 5 % at 5.2, 10 % at 9.3 mm³/s.
    states = {flow: flow_of(shop, loaded, flow).state for flow in (3, 6, 9, 10, 13)}
    assert states == {3: CLEAR, 6: CAUTION, 9: CAUTION, 10: HOLD, 13: HOLD}
    lost = flow_of(shop, loaded, 10).statement.values
    assert lost["loss"] == 0.1
    assert [lost[f"{name}_mm3_s"] for name in ("low", "likely", "high")] == pytest.approx(
        [9.1, 9.2, 9.3], abs=0.05
    )
    assert flow_of(shop, loaded, 3, nozzle_c=205).state == CAUTION


def test_a_print_on_a_hold_by_flow_is_recorded_with_its_verdict(shop, loaded):
    check(shop.south, loaded, hours_ago(100), slip=1)
    job = {"toolhead": shop.south, "spool": loaded, "name": "fast", "mass_g": 20, "hours": 1}
    job |= {"nozzle_c": 215, "bed_c": 55, "start": hours_ago(20)}
    assert record_job(**job, max_flow_mm3_s=11).state == HOLD
    # Before the check was made, nothing spoke against it.
    assert record_job(**(job | {"start": hours_ago(120)}), max_flow_mm3_s=11).state == CAUTION
    with refuses("out_of_range", "max_flow_mm3_s"):
        record_job(**(job | {"start": hours_ago(10)}), max_flow_mm3_s=float("nan"))


def test_other_parts_or_two_months_make_a_check_old(shop, loaded):
    created = check(shop.south, loaded, hours_ago(100))
    assert flow_of(shop, loaded, 5).state == CLEAR
    FlowCheck.objects.filter(pk=created.pk).update(at=timezone.now() - timedelta(days=61))
    # The fittings are younger than that, so that its parts were other ones.
    assert says(flow_of(shop, loaded, 5), "flow_checked_before_change")
    shop.south.fittings.update(start=timezone.now() - timedelta(days=70))
    assert says(flow_of(shop, loaded, 5), "flow_check_old")
    replace_part(shop.south, "nozzle", shop.steel)
    found = flow_of(shop, loaded, 13)
    assert found.state == CAUTION and says(found, "flow_checked_before_change", changed=["nozzle"])


def test_a_filled_material_has_flow_checks_of_its_own(shop, loaded, filled):
    check(shop.south, loaded, hours_ago(100))
    found = load_last_checks([shop.south.pk], timezone.now())
    assert set(found) == {(shop.south.pk, *material_of(shop.pla))}
    unchecked = {"material": "PLA with carbon fibre", "toolhead": "South T0"}
    assert says(flow_of(shop, filled, 5), "flow_unchecked", **unchecked)


# Reminders


def test_a_toolhead_that_never_was_checked_is_left_in_peace(shop, loaded):
    sweep()
    assert due("flow_check") == []


@pytest.mark.django_db(transaction=True)
def test_other_parts_ask_for_a_check_and_the_check_ends_that(shop, loaded):
    check(shop.south, loaded, hours_ago(100))
    assert due("flow_check") == []
    replace_part(shop.south, "gears", shop.gears, at=hours_ago(50))
    [reminder] = due("flow_check")
    assert reminder.toolhead == shop.south and reminder.reason.values["roles"] == ["gears"]
    check(shop.south, loaded, hours_ago(40))
    assert due("flow_check") == []


def test_a_check_is_due_after_two_months_of_use(shop, loaded):
    check(shop.south, loaded, hours_ago(100))
    late = timezone.now() + timedelta(days=70)
    assert sweep_subjects([PARTS, FLOW], late).opened == 0
    record_job(
        toolhead=shop.south,
        spool=loaded,
        name="a",
        mass_g=5,
        hours=1,
        nozzle_c=215,
        bed_c=55,
        start=hours_ago(50),
        override_reason="a test",
    )
    sweep_subjects([PARTS, FLOW], late)
    assert due("flow_check")[0].reason.code == "reminder.flow_check_old"


# Soft gears under filled jobs


def worn_shop(shop, gears):
    """South with these gears and filled filament: three checks, then jobs of 110 g with a check after each.

    True slip: three times the usual loss when the gears' life is used up. Returns, by the number of jobs, the
    open chart signals after that job's check, and the true loss at 8 mm³/s, which the jobs ask for.
    """
    spool, random = receive(shop.carbon, shop.box, card="dry"), np.random.default_rng(3)
    add_stock(gears, 1, at=hours_ago(LONG_AGO))
    fitting = replace_part(shop.south, "gears", gears, at=hours_ago(230))
    load_spool(shop.south, spool, at=hours_ago(229), override_reason="a test")
    for n in range(START):
        check(shop.south, spool, hours_ago(225 - n), random=random)
    signals, losses = [], []
    for n in range(7):
        at = hours_ago(210 - 24 * n)
        record_job(
            toolhead=shop.south,
            spool=spool,
            name=f"bracket {n}",
            mass_g=110,
            hours=8,
            nozzle_c=215,
            bed_c=55,
            start=at,
            override_reason="a test",
        )
        slip = 3 * life_left([fitting.part])[fitting.part_id].age / gears.life
        losses.append(true_loss(8, slip))
        check(shop.south, spool, at + timedelta(hours=10), slip, random=random)
        signals.append(due("flow_chart"))
    return signals, losses


@pytest.mark.django_db(transaction=True)
def test_soft_gears_are_signalled_before_the_job_that_would_have_failed(shop):
    soft = kind(
        "gears", "soft gears", material="brass", hardness_hv=60, life=1.6, life_low=0.8, life_high=3.2
    )
    signals, losses = worn_shop(shop, soft)
    first = next(n for n, open_ in enumerate(signals) if open_)
    fails = next(n for n, loss in enumerate(losses) if loss > 0.10)
    assert first + 1 < fails
    [reminder] = signals[first]
    values = reminder.reason.values
    assert (values["part"], values["toolhead"]) == ("soft gears", "South T0")
    assert reminder.reason.code == "reminder.flow_loss_rises"
    assert reminder.part.kind == soft
    assert values["since"] == FlowCheck.objects.order_by("at")[START + first].at.isoformat()
    # The pace foretells the day on which 10 % are lost where the baseline lost 5 %.
    reached = next(n for n, loss in enumerate(losses) if loss / true_loss(8) * 0.05 > 0.10)
    assert abs(reminder.due_at - hours_ago(200 - 24 * reached)) < timedelta(days=2)
    # New gears end the signal and ask for a check of their own.
    replace_part(shop.south, "gears", shop.gears)
    assert due("flow_chart") == [] and len(due("flow_check")) == 1


def test_hardened_gears_are_not(shop):
    hard = kind("gears", "hard gears", hardness_hv=690, life=18.4, life_low=9, life_high=37)
    signals, losses = worn_shop(shop, hard)
    assert not any(signals)
    assert max(losses) < 0.05
