from datetime import timedelta

import pytest
from django.utils import timezone

from maintenance.models import Job
from maintenance.reminders.sweep import sweep
from spools.models import MassEntry
from tests.restored import built_once

from .conftest import ago

PRINT = {"name": "bracket", "mass_g": 120, "hours": 5, "nozzle_c": 215, "bed_c": 60}


@built_once
def loaded(api, shop, receive) -> str:
    """The code of a plain spool that is loaded since yesterday, with a nozzle fitted before."""
    api.post("stock", kind=shop.brass, count=2, at=ago(days=9))
    api.post("fittings", toolhead=shop.toolhead, kind=shop.brass, at=ago(days=8))
    code = receive(feedstock=shop.pla)
    api.post(
        f"spools/{code}/load", toolhead=shop.toolhead, at=ago(days=1), override_reason="whatever it says"
    )
    return code


def test_a_job_takes_grams_and_wears_and_withdrawing_gives_back(api, shop, loaded):
    job = api.post(
        "jobs", toolhead=shop.toolhead, spool=loaded, start=ago(hours=8), override_reason="as above", **PRINT
    )
    assert job["uses"][0]["spool"] == loaded and job["uses"][0]["mass_g"] == 120
    assert job["state"] in ("clear", "caution", "hold") and job["withdrawn_at"] is None
    assert api.get(f"spools/{loaded}")["remaining"]["mass_g"] == pytest.approx(880)
    [part] = api.get("parts", role="nozzle")["results"]
    assert api.get("jobs", spool=loaded, since=ago(days=1))["count"] == 1
    assert api.get("jobs", until=ago(days=1))["count"] == 0
    withdrawn = api.post(f"jobs/{job['id']}/withdraw", status=200, reason="wrong spool chosen")
    assert withdrawn["withdrawn_at"] and withdrawn["withdrawn_reason"] == "wrong spool chosen"
    assert api.get(f"spools/{loaded}")["remaining"]["mass_g"] == pytest.approx(1000)
    assert api.get(f"parts/{part['id']}")["life_left"]["age"] == 0
    assert api.refused(f"jobs/{job['id']}/withdraw", reason="again")


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"mass_g": -1}, "mass_g"),
        ({"mass_g": 5000}, "mass_g"),
        ({"hours": -1}, "hours"),
        ({"hours": 1e7}, "hours"),
        ({"nozzle_c": 900}, "nozzle_c"),
        ({"bed_c": -40}, "bed_c"),
        ({"name": ""}, "name"),
        ({"name": "a\0"}, "name"),
        ({"start": ago(hours=-9)}, "start"),
        ({"spool": "AAAAAA"}, "spool"),
        ({"toolhead": 99999}, "toolhead"),
    ],
)
def test_jobs_that_cannot_be_are_refused_and_nothing_is_stored(api, shop, loaded, wrong, field):
    before = MassEntry.objects.count()
    job = {"toolhead": shop.toolhead, "spool": loaded, "start": ago(hours=8), "override_reason": "x"} | PRINT
    assert field in api.refused("jobs", **job | wrong)
    assert (Job.objects.count(), MassEntry.objects.count()) == (0, before)


def test_a_job_needs_its_spool_on_that_toolhead_then(api, shop, loaded, receive):
    job = {"toolhead": shop.toolhead, "override_reason": "x"} | PRINT
    assert api.refused("jobs", **job, spool=receive(feedstock=shop.pla), start=ago(hours=8))
    assert api.refused("jobs", **job, spool=loaded, start=ago(days=3))
    assert not Job.objects.exists()


def test_the_life_of_a_job(api, shop, loaded, receive):
    """Planned, printing, one spool runs out, failed, printed again: by the addresses of a script."""
    numbers = {"toolhead": shop.toolhead, "spool": loaded} | PRINT
    plan = api.post("jobs", **numbers, stage="planned")
    assert (plan["stage"], plan["uses"], plan["reservations"][0]["mass_g"]) == ("planned", [], 120)
    assert [row["id"] for row in api.get("jobs", spool=loaded)["results"]] == [plan["id"]]
    [judged] = [row for row in api.get(f"spools/{loaded}")["verdicts"] if row["toolhead"] == shop.toolhead]
    assert judged["job"] == plan["id"]
    path = f"jobs/{plan['id']}"
    assert api.refusals(f"{path}/end", result="finished") == {"": "wrong_stage"}
    assert api.get(f"toolheads/{shop.toolhead}")["busy_until"] is None
    started = api.post(f"{path}/start", status=200, at=ago(hours=2))
    toolhead = api.get(f"toolheads/{shop.toolhead}")
    assert (started["stage"], toolhead["busy_until"]) == ("printing", started["end"])
    [reserved] = api.get(f"spools/{loaded}")["reservations"]
    assert (reserved["job"], reserved["mass_g"]) == (plan["id"], 120)
    other = receive(feedstock=shop.pla)
    change = {"spool": other, "at": ago(hours=1), "mass_g": 30, "unload_to": shop.shelf}
    assert api.post(f"{path}/change-spool", status=200, **change)["uses"][0]["mass_g"] == 30
    assert [api.get("jobs", spool=code)["count"] for code in (loaded, other)] == [1, 1]
    wrong = {"result": "failed", "parts": 2, "good_parts": 3}
    assert api.refusals(f"{path}/end", **wrong) == {"good_parts": "out_of_range"}
    end = {"result": "failed", "parts": 4, "good_parts": 3, "reason": "one came off", "stopped_pct": 50}
    failed = api.post(f"{path}/end", status=200, **end)
    assert {use["spool"]: use["mass_g"] for use in failed["uses"]} == {loaded: 30, other: 30}
    event = failed["events"][-1]
    assert (event["kind"], event["good_parts"], event["stopped"]["code"]) == (
        "failed",
        3,
        "job_stop.at_filament_share",
    )
    again = api.post(f"{path}/reprint")
    assert (again["reprint_of"], again["stage"]) == (plan["id"], "planned")
    assert [row["spool"] for row in again["reservations"]] == [other]
    assert api.get("jobs", stage="planned")["count"] == 1
    assert api.post(f"job-events/{event['id']}/withdraw", status=200, reason="it goes on")["withdrawn_at"]
    assert api.get(path)["stage"] == "printing"


def test_a_print_that_is_recorded_twice_is_answered_with_the_first_job(api, shop, loaded):
    numbers = {"toolhead": shop.toolhead, "spool": loaded, "start": ago(hours=8)} | PRINT
    first = api.post("jobs", **numbers)
    again = api.post("jobs", status=200, **(numbers | {"name": "Bracket.gcode", "start": ago(hours=7.5)}))
    assert (again["id"], again["known_before"], first["known_before"]) == (first["id"], True, False)
    other = numbers | {"name": "vase", "mass_g": 300}
    assert api.refusals("jobs", **other) == {"start": "toolhead_busy"}


@built_once
def reminder(api, shop, receive) -> dict:
    """The reminder to dry a nylon spool that lies on the shelf."""
    code = receive(place=shop.shelf)
    api.post("print-requests", spool=code, mass_g=50, due_at=ago(days=-2))
    sweep()
    return next(row for row in api.get("reminders", open=True)["results"] if row["kind"] == "dry")


def test_a_reminder_is_snoozed_and_done(api, reminder):
    address = f"reminders/{reminder['id']}"
    until = timezone.now() + timedelta(hours=12)
    assert api.post(f"{address}/snooze", status=200, until=until.isoformat())["snoozed_until"]
    finished = api.post(f"{address}/complete", status=200, note="in the dryer of a friend")
    assert (finished["ending"], finished["note"]) == ("completed", "in the dryer of a friend")
    assert finished["ended_at"]
    assert reminder["id"] not in [row["id"] for row in api.get("reminders", open=True)["results"]]
    assert api.get(address) == finished
    assert api.refused(f"{address}/complete")


def test_snoozing_needs_a_time_to_come(api, reminder):
    address = f"reminders/{reminder['id']}/snooze"
    assert "until" in api.refused(address)
    assert "until" in api.refused(address, until=ago(days=1))
    assert "until" in api.refused(address, until="later")
    assert api.get(f"reminders/{reminder['id']}")["snoozed_until"] is None


def test_a_reminder_is_snoozed_until_an_amount_and_shows_its_history(api, reminder):
    address = f"reminders/{reminder['id']}"
    assert reminder["amount_unit"] == "outer_water_pct" and not reminder["amount_falls"]
    assert "amount" in api.refused(f"{address}/snooze", amount=reminder["amount"])
    assert "amount" in api.refused(f"{address}/snooze", amount="much")
    assert api.refused(f"{address}/snooze", amount=9, until=ago(hours=-9))
    snoozed = api.post(f"{address}/snooze", status=200, amount=9)
    assert snoozed["snoozed_until_amount"] == 9 and snoozed["snoozed_until"]
    whats = [event["type"] for event in snoozed["events"]]
    assert whats == ["opened", "urgent", "snoozed"]
    last = snoozed["events"][-1]
    assert last["detail"]["values"] == {"amount": 9, "unit": "outer_water_pct"} and last["by"]
    assert last["detail"]["sentence"].startswith("until 9 %")
    for answer in (snoozed["reason"], snoozed["remedy"]):
        assert answer["code"] and answer["values"] and answer["sentence"]
    assert snoozed["events"][0]["by"] is None


def test_several_reminders_are_snoozed(api, reminder):
    until = ago(days=-3)
    assert api.refused("reminders/snooze-several", until=until)
    assert "reminders" in api.refused("reminders/snooze-several", until=until, reminders=[10**6])
    assert "until" in api.refused("reminders/snooze-several", until=ago(days=3), kind="dry")
    assert api.post("reminders/snooze-several", status=200, until=until, kind="dry")["snoozed"] == 1
    assert not api.get("reminders", due=True, kind="dry")["results"]
    chosen = {"until": ago(days=-5), "reminders": [reminder["id"]]}
    assert api.post("reminders/snooze-several", status=200, **chosen)["snoozed"] == 1


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({"due": True}, True),
        ({"due": False}, False),
        ({"kind": "dry"}, True),
        ({"kind": "weigh"}, False),
        ({"urgent": True}, True),
        ({"urgent": False}, False),
        ({"since": ago(hours=1)}, True),
        ({"until": ago(hours=1)}, False),
    ],
)
def test_reminders_are_narrowed(api, reminder, asked, found):
    assert (reminder["id"] in [row["id"] for row in api.get("reminders", **asked)["results"]]) is found


def test_a_snoozed_reminder_is_not_due(api, reminder):
    api.post(f"reminders/{reminder['id']}/snooze", status=200, until=ago(hours=-9))
    assert not api.get("reminders", due=True)["results"]
    assert api.get("reminders", open=True, condition=reminder["condition"])["count"] == 1


def test_today_lists_ready_later_and_due_rows(api, shop, receive, reminder):
    api.post("stock", kind=shop.brass, count=1)
    api.post("fittings", toolhead=shop.toolhead, kind=shop.brass)
    dry = receive(feedstock=shop.pla, sealed=True, card="dry")
    today = api.get("today")
    rows = {row["spool"]: row for row in today["ready"]}
    later = {row["spool"]: row for row in today["later"]}
    assert dry in rows and rows[dry]["verdict"]["state"] != "hold"
    assert reminder["spool"] in later and later[reminder["spool"]]["advice"]["sentence"]
    assert reminder["id"] in [row["id"] for row in today["due"]]


def test_a_printers_host_reports_a_print(api, shop, loaded):
    printer = api.get("printers")["results"][0]["name"]
    common = {"printer": printer, "job": "print-17", "sent_at": ago()}
    numbers = {name: value for name, value in PRINT.items() if name != "name"}
    start = common | {"id": "1", "kind": "started", "at": ago(hours=5), "spool": loaded.lower(), **numbers}
    end = common | {"id": "2", "kind": "finished", "at": ago(hours=1), "metres": 30}
    wrong = [
        common | {"id": "3", "kind": "finished", "at": ago(hours=1), "metres": -1},
        {"id": "4", "nonsense": 1},
    ]
    events = api.client.post("/api/v1/printer-events", [end, *wrong, start], format="json")
    assert events.status_code == 200, events.content
    results = events.json()["results"]
    assert [row["result"] for row in results] == ["recorded", "refused", "refused", "recorded"]
    assert [error["field"] for error in results[1]["errors"]] == ["metres"]
    assert results[0]["stage"] == "finished"
    job = api.get(f"jobs/{results[0]['job']}")
    assert job["uses"][0]["mass_g"] == pytest.approx(30 * 2.98, rel=0.02)
    assert api.post("printer-events", status=200, **start)["results"][0]["result"] == "known"
    stored = api.get("printer-events", state="refused")["results"]
    assert [row["key"] for row in stored] == ["3"]
    [first] = api.get("printer-events", kind="finished", state="recorded")["results"]
    api.post(f"printer-events/{first['id']}/withdraw", status=200, reason="of another print")
    assert api.get(f"jobs/{results[0]['job']}")["stage"] == "printing"


def test_a_print_host_asks_whether_a_job_may_start(api, shop, loaded):
    numbers = {"mass_g": 120, "hours": 5, "nozzle_c": 215, "bed_c": 60}
    printer = api.get("printers")["results"][0]["name"]
    asked = api.get("may-start", toolhead=shop.toolhead, **numbers)
    readiness = api.get("readiness", toolhead=shop.toolhead, spool=loaded, **numbers)
    assert (asked["state"], asked["spools"]) == (readiness["state"], [loaded])
    unclear = {check["code"] for check in readiness["checks"] if check["state"] != "clear"}
    assert {check["code"] for check in asked["reasons"]} == unclear
    hot = numbers | {"nozzle_c": 290}
    refused = api.post("may-start", status=409, printer=printer, refuse=True, **hot)
    assert refused["state"] == "hold" and all(
        error["code"] and error["message"] for error in refused["errors"]
    )
    assert api.get("may-start", toolhead=shop.toolhead, refuse=0, **hot)["state"] == "hold"
    api.post(f"spools/{loaded}/unload", status=200, place=shop.shelf)
    assert api.get("may-start", status=409, toolhead=shop.toolhead, refuse=1, **numbers)["spools"] == []
    assert api.refusals("may-start", toolhead=shop.toolhead, mass_g=5) == {"hours": "job_missing"}
    assert api.refusals("may-start", toolhead=shop.toolhead, file="0" * 64) == {"file": "unknown_file"}
