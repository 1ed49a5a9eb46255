"""Busy: a toolhead or a spool that prints or is reserved, and the grams that are reserved."""

from datetime import timedelta

import pytest
from django.utils import timezone

from maintenance.board.shop import load_board
from maintenance.jobs.records import record_job
from maintenance.jobs.steps import end_job
from maintenance.machines.loading import load_spool
from maintenance.readiness.builder import verdict
from maintenance.readiness.inputs import JobAhead, JobSpec
from maintenance.readiness.rules.busy import find_busy_state
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD
from maintenance.today import build_today
from spools.wording import round_up_time
from tests.maintenance.conftest import PRINT
from tests.maintenance.readiness.test_rules import says
from tests.spools.conftest import hours_ago, receive

HOUR = timedelta(hours=1)


@pytest.mark.parametrize(
    ("printing", "starts_in_h", "ends_in_h", "state"),
    [
        (True, -2, 1, HOLD),
        (True, -2, -0.1, CAUTION),
        (False, -0.5, 1, HOLD),
        (False, 1, 3, CAUTION),
        (False, 2, 3, CLEAR),
        (False, -3, -1, CAUTION),
    ],
)
def test_a_job_ahead_stands_in_the_way_of_two_hours(printing, starts_in_h, ends_in_h, state):
    ahead = JobAhead(1, "vase", "North T0", "ABC", printing, "", "", starts_in_h, ends_in_h)
    assert find_busy_state(ahead, 2) == state


@pytest.fixture
def loaded(shop, plain):
    load_spool(shop.north, plain, at=hours_ago(30), override_reason="a test")
    return plain


def checks(found) -> dict:
    return {check.name: check for check in found.checks}


def test_a_print_holds_its_toolhead_and_its_spool_until_it_is_over(shop, loaded):
    job = record_job(toolhead=shop.north, spool=loaded, start=hours_ago(1), **(PRINT | {"mass_g": 400}))
    other = receive(shop.pla, shop.box, card="dry")
    board = load_board()
    for found in (
        board.verdict(shop.north.pk, loaded.pk),
        board.verdict(shop.north.pk, other.pk),
        board.verdict(shop.south.pk, loaded.pk),
        verdict(shop.north, loaded, JobSpec(20, 1, 205, 55)),
    ):
        busy = checks(found)["busy"]
        assert busy.state == HOLD and says(busy, "prints_until", job=job.pk, end=job.end.isoformat())
    assert "busy" not in checks(board.verdict(shop.south.pk, other.pk))
    amount = checks(board.verdict(shop.south.pk, loaded.pk))["quantity"]
    assert amount.statement.values["reserved_g"] == 400
    assert "busy" not in checks(verdict(shop.north, loaded, JobSpec(400, 2, 205, 55, job=job.pk)))
    # The other toolhead is offered meanwhile, with the spool that is free.
    today = build_today()
    [row] = today.ready
    assert (row.toolhead, row.spool) == (shop.south, other)
    assert [row.job for row in today.running] == [job.pk]
    states = {machine.printer: (machine.state, machine.running) for machine in today.machines}
    assert states[shop.north.printer] == ("printing", today.running[0])
    later = build_today(job.end + HOUR)
    assert {machine.printer: machine.state for machine in later.machines}[shop.north.printer] == "overdue"
    end_job(job, "finished")
    assert "busy" not in checks(load_board().verdict(shop.north.pk, loaded.pk))


def test_a_material_whose_machines_all_print_is_ready_when_one_is_over(shop, loaded):
    job = record_job(toolhead=shop.north, spool=loaded, start=hours_ago(1), **PRINT)
    shop.south.printer.retired_at = timezone.now()
    shop.south.printer.save()
    [row] = build_today().later
    assert (row.spool, row.ready_at) == (loaded, round_up_time(job.end))


def test_reserved_grams_are_not_there_for_another_job(shop, loaded):
    start = timezone.now() + 10 * HOUR
    plan = record_job(
        toolhead=shop.north, spool=loaded, start=start, stage="planned", **(PRINT | {"mass_g": 900})
    )
    for spec, busy, amount in [
        (JobSpec(50, 2, 205, 55), "free_until", "enough_filament"),
        (JobSpec(50, 11, 205, 55), "reserved_soon", "enough_filament"),
        (JobSpec(300, 2, 205, 55), "free_until", "too_little_filament"),
        (JobSpec(900, 2, 205, 55, job=plan.pk), None, "enough_filament"),
    ]:
        found = checks(verdict(shop.north, loaded, spec))
        assert says(found["quantity"], amount)
        assert says(found["busy"], busy) if busy else "busy" not in found
