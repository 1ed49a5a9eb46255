from datetime import timedelta

import pytest
from django.utils import timezone

from maintenance.models import Job
from maintenance.reminders.sweep import sweep
from spools.models import MassEntry

from .conftest import ago

PRINT = {"name": "bracket", "mass_g": 120, "hours": 5, "nozzle_c": 215, "bed_c": 60}


@pytest.fixture
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


@pytest.fixture
def reminder(api, shop, receive) -> dict:
    """The reminder to dry a nylon spool that lies on the shelf."""
    receive(place=shop.shelf)
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
