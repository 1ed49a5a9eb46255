from datetime import timedelta

from django.utils import timezone

from background.running import run_due
from spools.models import WeekPlan
from tests.restored import built_once

from .conftest import ago


@built_once
def wet(api, shop, receive) -> str:
    """The code of a nylon spool that lay on the shelf for eight days."""
    code = receive()
    api.post(f"spools/{code}/move", place=shop.shelf, at=ago(days=8))
    return code


def ahead(**span: float) -> str:
    return (timezone.now() + timedelta(**span)).isoformat()


def test_a_print_is_requested_planned_and_its_drying_begun(api, shop, wet):
    request = api.post("print-requests", polymer=shop.polyamide, mass_g=200, due_at=ahead(hours=80))
    [judged] = api.get(f"print-requests/{request['id']}/readiness")
    assert (judged["spool"], judged["state"]) == (wet, "hold")
    plan = api.post("week-plans", staffed_from="00:00", staffed_to="23:59")
    assert plan["made_at"] is None
    run_due("moisture")
    plan = api.get(f"week-plans/{plan['id']}")
    assert (plan["violations"], plan["accepted_at"]) == ([], None)
    (report,) = plan["prints"]
    assert (report["request"], report["spool"], report["state"]) == (request["id"], wet, "in time")
    assert api.get("planned-dryings")["count"] == 0
    api.get("week-plans/accepted", status=404)
    address = f"week-plans/{plan['id']}"
    assert api.post(f"{address}/accept", status=200)["accepted_at"]
    assert api.get("week-plans/accepted")["id"] == plan["id"]
    (drying,) = api.get("planned-dryings")["results"]
    assert (drying["spool"], drying["dryer"], drying["run"]) == (wet, shop.dryer, None)
    change = f"planned-dryings/{drying['id']}"
    assert api.post(f"{change}/pin", status=200, pinned=True)["pinned"] is True
    moved = api.post(f"{change}/move", status=200, dryer=shop.dryer, start=ahead(hours=75))
    (late,) = api.get(address)["prints"]
    assert any(
        found["code"] == "week.late" and found["values"]["late_h"] == late["late_h"]
        for found in moved["consequences"]
    )
    assert "set_point_c" in api.refused(
        f"planned-dryings/{moved['drying']['id']}/move",
        dryer=shop.dryer,
        start=ahead(hours=5),
        set_point_c=150,
    )
    (run,) = api.post("drying-runs", spools=[{"spool": wet}], dryer=shop.dryer, set_point_c=75)
    assert api.get(address)["dryings"][0]["run"] == run["id"]
    api.refused(f"planned-dryings/{moved['drying']['id']}/cancel")
    assert api.post(f"{address}/reject", status=200)["ended_at"]
    address = f"print-requests/{request['id']}/withdraw"
    assert "reason" in api.refused(address)
    withdrawn = api.post(address, status=200, reason="printed")
    assert withdrawn["withdrawn_at"] and withdrawn["withdrawn_reason"] == "printed"
    assert api.get("print-requests?valid=true")["count"] == 0 and api.get("print-requests")["count"] == 1


def test_a_plan_that_is_requested_twice_with_a_key_is_one_plan(api, client, shop, wet):
    api.post("print-requests", polymer=shop.polyamide, mass_g=200, due_at=ahead(hours=80))
    hours, key = {"staffed_from": "00:00", "staffed_to": "23:59"}, {"Idempotency-Key": "a"}
    first, again = (client.post("/api/v1/week-plans", hours, headers=key) for _ in range(2))
    assert (first.status_code, again.json()) == (201, first.json())
    assert WeekPlan.objects.count() == 1


def test_an_empty_spool_is_refused_at_the_field_it_was_given_in(api, client, shop, wet):
    api.post(f"spools/{wet}/end", status=200)
    body = {"spool": wet, "mass_g": 50, "due_at": ahead(hours=9)}
    (error,) = client.post("/api/v1/print-requests", body).json()["errors"]
    assert (error["code"], error["field"]) == ("spool_ended", "spool")


def test_impossible_input_is_refused(api, shop, wet):
    def refused(**body):
        return api.refused("print-requests", **({"mass_g": 50, "due_at": ahead(hours=9)} | body))

    assert refused()
    assert refused(polymer=shop.polyamide, spool=wet)
    assert "due_at" in refused(spool=wet, due_at=ahead(days=9))
    assert "mass_g" in refused(spool=wet, mass_g=-1)
    assert api.refused("week-plans")
    api.post("print-requests", spool=wet, mass_g=50, due_at=ahead(hours=9))
    assert "staffed_to" in api.refused("week-plans", staffed_from="10:00", staffed_to="09:00")
    for time in ("01:32:42-08:55", "07:00Z", "7", 7, "24:00"):
        assert "staffed_from" in api.refused("week-plans", staffed_from=time)
