"""A simulated scale under a spool holder: the grams of prints, weighings after them, and none from drift."""

from datetime import timedelta

import pytest
from django.utils import timezone

from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool
from maintenance.models import Scale, ScaleMinute, ScalePrint, ScaleWeighing
from maintenance.scales.prints import is_off, settle_prints
from maintenance.scales.values import record_values, thin_minutes
from maintenance.scales.weighings import SentMass, record_weighing, settle_weighing
from spools.inventory.ledger import remaining, weigh
from spools.models import MassEntry
from tests.maintenance.conftest import PRINT
from tests.maintenance.scales.simulated import SimulatedScale
from tests.restored import built_once
from tests.spools.conftest import hours_ago

HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


@built_once
def holder(shop, plain):
    """A kilogram of PLA on a reel of 200 g, on North since 30 hours, over a scale."""
    weigh(plain, 1200, at=hours_ago(31))
    load_spool(shop.north, plain, at=hours_ago(30), override_reason="a test")
    return Scale.objects.create(name="holder", toolhead=shop.north, step_g=1)


def print_grams(shop, plain, start, hours, mass_g):
    return record_job(
        toolhead=shop.north, spool=plain, start=start, **PRINT | {"mass_g": mass_g, "hours": hours}
    )


def send(scale: SimulatedScale, start, end) -> None:
    record_values("holder", scale.values(start, end))


def weighed(spool) -> list[MassEntry]:
    return list(MassEntry.objects.valid().filter(spool=spool, kind="weighed", at__gt=hours_ago(30)))


def test_prints_are_weighed_and_drift_is_not(shop, plain, holder):
    now, start = timezone.now(), hours_ago(20)
    # Of the last one the job states too little.
    prints = [(2, 0.5, 5, 5), (4, 2, 40, 40), (10, 6, 200, 160)]
    spans = [(start + a * HOUR, start + (a + h) * HOUR, g) for a, h, g, _ in prints]
    scale = SimulatedScale(start, mass_g=1200, prints=spans)
    send(scale, start, now)
    assert settle_prints(now) == [] and weighed(plain) == [], "nothing printed: drift of grams is no weighing"
    jobs = [print_grams(shop, plain, start + a * HOUR, h, g) for a, h, _, g in prints]
    rows = settle_prints(now)
    assert [row.job for row in rows] == jobs and settle_prints(now) == []
    for row, (_, _, true_g, job_g) in zip(rows, prints, strict=True):
        assert abs(row.mass_g - true_g) <= row.error_g < 3.5, row.mass_g
        assert abs(row.mass_g - true_g) <= 2, "about the step"
        assert is_off(row, job_g) == (true_g != job_g)
    entries = weighed(plain)
    assert len(entries) == 3 and all(
        entry.at >= row.job.end for entry, row in zip(entries, rows, strict=True)
    )
    amount = remaining(plain)
    assert amount.low_g <= 1000 - 245 <= amount.high_g
    # Their error has the drift in it since the scale was seen empty, or the spool put on it.
    assert all(1 < entry.resolution_g < 10 for entry in entries)


def test_another_spool_is_not_weighed_for_this_one(shop, plain, holder):
    now, start = timezone.now(), hours_ago(8)
    scale = SimulatedScale(start, mass_g=1200, prints=[(start + 3 * HOUR, start + 5 * HOUR, 30)])
    scale.steps = [(start + 4 * HOUR, -250)]
    send(scale, start, now)
    print_grams(shop, plain, start + 3 * HOUR, 2, 30)
    (row,) = settle_prints(now)
    held = ScaleWeighing.objects.get()
    assert (held.held, held.spool, weighed(plain)) == ("jumped", plain, [])
    assert is_off(row, 30)
    assert settle_weighing(held, plain).entry.gross_g == pytest.approx(920, abs=3)


def test_the_empty_holder_is_the_zero_of_the_scale(shop, plain, holder):
    now = timezone.now()
    record_values("holder", [(now - 60 * MINUTE + n * 10 * timedelta(seconds=1), 7.0) for n in range(60)])
    settle_prints(now)
    assert Scale.objects.get().zero_g == 7


def test_values_come_in_any_order_and_twice(shop, holder):
    now = timezone.now()
    values = SimulatedScale(now - 10 * MINUTE).values(now - 10 * MINUTE, now)
    assert record_values("holder", values[::-1][:30]) == (30, 0, 0)
    assert record_values("holder", values) == (30, 30, 0)
    assert record_values("holder", [(now + HOUR, 5.0), (hours_ago(60), 5.0)]) == (0, 0, 2)
    assert len(ScaleMinute.objects.all()) in (10, 11)


def test_only_changes_are_kept(shop, holder):
    start = hours_ago(47)
    scale = SimulatedScale(start, prints=[(start + HOUR, start + 2 * HOUR, 30)], noise_g=0.2)
    send(scale, start, start + 3 * HOUR)
    assert thin_minutes(timezone.now()) == 0
    gone = thin_minutes(timezone.now() + 5 * HOUR)
    left = ScaleMinute.objects.count()
    assert gone + left == 180 and 10 < left < 90, "the minutes in which it fell"
    assert thin_minutes(timezone.now() + timedelta(days=40)) == left


def test_a_weighing_without_a_code_is_of_the_loaded_spool(shop, plain, holder):
    assert record_weighing(SentMass("holder", 1150))[0].spool == plain
    assert record_weighing(SentMass("holder", 1150, hours_ago(40)))[0].held == "not_loaded"
    assert not ScalePrint.objects.exists()
