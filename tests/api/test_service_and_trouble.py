import pytest

from maintenance.changes import SERVICE, toolheads_changed
from maintenance.models import ServiceEntry, ServiceKind, TroubleReport
from maintenance.reminders.sweep import sweep_subjects
from maintenance.trouble.causes import CAUSES

from .conftest import ago

PRINT = {"name": "bracket", "mass_g": 120, "hours": 5, "nozzle_c": 205, "bed_c": 60}
KIND = {"work": "belts", "subject": "printer", "unit": "hours", "interval": 4, "advice": "Feel it."}
KIND |= {"name": "belt check", "source": "invented for a test", "how": "memory"}


@pytest.fixture
def job(api, shop, receive) -> dict:
    """A print of plain filament, eight hours ago, on a toolhead with a nozzle."""
    api.post("stock", kind=shop.brass, count=2, at=ago(days=9))
    api.post("fittings", toolhead=shop.toolhead, kind=shop.brass, at=ago(days=8))
    shop.code = receive(feedstock=shop.pla)
    api.post(f"spools/{shop.code}/load", toolhead=shop.toolhead, at=ago(days=1), override_reason="x")
    return api.post(
        "jobs", toolhead=shop.toolhead, spool=shop.code, start=ago(hours=8), override_reason="x", **PRINT
    )


@pytest.mark.django_db(transaction=True)
def test_a_service_comes_due_is_done_and_taken_back(api, shop, job):
    kind = api.post("service-kinds", **KIND)
    assert api.get("services/due")[0]["used"] == 0
    ServiceKind.objects.update(added_at=None)
    toolheads_changed()
    sweep_subjects([SERVICE])
    [row] = api.get("services/due")
    assert (row["used"], row["interval"], row["unit"], row["overdue"]) == (5, 4, "hours", True)
    assert (row["last"], row["toolhead"], row["printer"]) == (None, None, shop.printer)
    [reminder] = api.get("reminders", kind="service", open=True)["results"]
    assert reminder["printer"] == shop.printer
    entry = api.post("services", kind=kind["id"], printer=shop.printer, note="both")
    assert api.get("services/due")[0]["used"] == 0
    assert api.get("reminders", kind="service", open=True)["count"] == 0
    assert api.get("services", printer=shop.printer)["count"] == 1
    assert api.post(f"services/{entry['id']}/withdraw", status=200, reason="not done")["withdrawn_at"]
    assert api.get("services/due")[0]["overdue"]
    assert api.refused(f"services/{entry['id']}/withdraw", reason="again")


def test_services_that_cannot_be_are_refused(api, shop, job):
    kind = api.post("service-kinds", **KIND)["id"]
    assert api.refused("services", kind=kind) == {"printer": "Say on which printer the belt check was done."}
    assert "toolhead" in api.refused("services", kind=kind, toolhead=shop.toolhead)
    assert "at" in api.refused("services", kind=kind, printer=shop.printer, at=ago(hours=-5))
    assert "kind" in api.refused("services", kind=99999, printer=shop.printer)
    assert not ServiceEntry.objects.exists()
    assert "interval" in api.refused(f"service-kinds/{kind}", method="patch", interval=0)
    assert api.refused("service-kinds", **KIND | {"name": "other", "unit": "hot_h"})
    assert api.patch(f"service-kinds/{kind}", interval=400)["interval"] == 400
    assert api.get("reminders", kind="service", open=True)["count"] == 0


def test_trouble_is_reported_ordered_and_settled(api, shop, job):
    report = api.post("troubles", job=job["id"], symptoms=["pops", "strings"], note="hissing")
    assert (report["spool"], report["symptoms"]) == (shop.code, ["strings", "pops"])
    scores = [finding["score"] for finding in report["findings"]]
    assert scores == sorted(scores, reverse=True) and len(scores) == len(CAUSES)
    assert all(finding["lines"] and finding["test"] for finding in report["findings"])
    assert "trouble_outside.short_retraction" in {cause["code"] for cause in report["outside"]}
    for finding in report["findings"]:
        for answer in [finding["test"], finding["remedy"], *(line["statement"] for line in finding["lines"])]:
            assert answer["code"] and answer["sentence"]
    settled = api.post(f"troubles/{report['id']}/outcome", status=200, cause="settings", note="too hot")
    assert [outcome["cause"] for outcome in settled["outcomes"]] == ["settings"]
    assert api.get("troubles", job=job["id"])["count"] == 1
    assert api.get(f"troubles/{report['id']}") == settled


def test_a_print_that_is_not_recorded_needs_toolhead_and_spool(api, shop, job):
    assert api.post("troubles", toolhead=shop.toolhead, spool=shop.code, at=ago(hours=3), symptoms=["gaps"])
    count = TroubleReport.objects.count()
    assert api.refused("troubles", toolhead=shop.toolhead, symptoms=["gaps"])
    assert "symptoms" in api.refused("troubles", job=job["id"], symptoms=[])
    assert api.refused("troubles", job=job["id"], symptoms=["smoke"])
    assert "at" in api.refused("troubles", job=job["id"], symptoms=["gaps"], at=ago(hours=3))
    assert "spool" in api.refused(
        "troubles", toolhead=shop.toolhead, spool=shop.code, at=ago(days=3), symptoms=["gaps"]
    )
    assert TroubleReport.objects.count() == count
