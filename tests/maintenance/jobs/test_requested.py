"""Print requests are judged with all their grams, with what is reserved and with the toolheads that are busy."""

from datetime import timedelta

from django.utils import timezone

from maintenance.jobs.records import record_job
from maintenance.jobs.requested import judge_request
from maintenance.machines.loading import load_spool
from maintenance.readiness.verdict import CLEAR, HOLD
from spools.drying.week.requests import add_print_request
from tests.maintenance.conftest import PRINT
from tests.spools.conftest import receive


def test_a_request_is_judged_on_the_best_toolhead_with_what_is_reserved(shop, plain):
    due_at = timezone.now() + timedelta(days=2)
    request = add_print_request(shop.pla.polymer, 700, due_at)
    other = receive(shop.pla, shop.box, card="dry", net_mass_g=300)
    best, second = judge_request(request)
    assert (best.spool, best.verdict.state, best.verdict.checks != []) == (plain, CLEAR, True)
    assert second.spool == other and "quantity" in {check.name for check in second.verdict.holds}
    load_spool(best.toolhead, plain)
    numbers = PRINT | {"mass_g": 400, "hours": 20}
    record_job(toolhead=best.toolhead, spool=plain, stage="printing", **numbers)
    judged = {pair.spool: pair.verdict for pair in judge_request(request)}
    held = {check.name for check in judged[plain].checks if check.state != CLEAR}
    assert {"quantity", "busy"} <= held and judged[plain].state == HOLD
    assert judge_request(add_print_request(shop.nylon, 10, due_at)) == []
