"""A spool changer through the pages and the API: set up, loaded, its file judged and printed, its purge counted."""

import pytest
from django.urls import reverse
from rest_framework.test import APIClient

from access.tokens import add_token
from maintenance.models import Job, Loading
from spools.codes import pretty
from spools.inventory.ledger import remaining
from tests.api.conftest import Caller
from tests.pages.jobs.test_job_file_pages import HEAD, kept
from tests.pages.shown import require_refused, shows
from tests.pages.small_shop import local_input
from tests.spools.conftest import hours_ago

METRE = "G1 X100 E500\nG1 X0 E500\n"
# T0, T1, T0, T1: three changes.
MULTICOLOUR = HEAD + "".join(f"T{tool}\n" + 2 * METRE for tool in (0, 1, 0, 1))
REASON = "a test; a hold would be overridden"


@pytest.fixture(autouse=True)
def data_folder(settings, tmp_path):
    settings.DATA_DIR = tmp_path / "data"


@pytest.fixture
def api(shop) -> Caller:
    client = APIClient(headers={"Authorization": f"Token {add_token(shop.user, 'a script', 'all')[1]}"})
    client.default_format = "json"
    return Caller(client)


def test_a_changer_from_its_setting_up_to_its_purge(shop, desk, api):
    head, first, second, third = shop.toolheads[2], *(shop.spools[n] for n in (3, 6, 9))
    before = {spool: remaining(spool).mass_g for spool in (first, second, third)}
    # Set up on the page of the toolhead, and corrected by a script.
    values = {"name": "T0", "hot_end_max_c": 300, "feed": "direct", "tail_mm": 150, "slots": 40}
    address = reverse("toolhead-edit", args=[head.pk])
    require_refused(desk.post(address, values), "max_value", "slots")
    assert desk.post(address, values | {"slots": 3, "purge_g": "1,5"}).status_code == 302
    assert api.patch(f"toolheads/{head.pk}", purge_g=2.0)["slots"] == 3
    # Loaded from the page: the free slots are offered first.
    choose = desk.get(reverse("spool-load", args=[first.code]))
    [slots] = [row[2] for row in choose.context["rows"] if row[0] == head]
    assert slots == [(1, None), (2, None), (3, None)]
    load = {"toolhead": head.pk, "slot": 2, "override_reason": REASON}
    assert (
        desk.get(reverse("spool-load", args=[first.code]), {"toolhead": head.pk, "slot": 4}).status_code
        == 404
    )
    assert desk.post(reverse("spool-load", args=[first.code]), load).status_code == 302
    page = desk.get(reverse("spool-load", args=[second.code]))
    [slots] = [row[2] for row in page.context["rows"] if row[0] == head]
    assert slots == [(1, None), (3, None), (2, first)] and shows(page, pretty(first.code), note="slot")
    replacing = desk.get(reverse("spool-load", args=[second.code]), {"toolhead": head.pk, "slot": 2})
    assert replacing.context["current_spool"] == first and "unload_to" in replacing.context["form"].fields
    loading = api.post(f"spools/{second.code}/load", toolhead=head.pk, override_reason=REASON)
    assert loading["slot"] == 1
    assert api.refusals(f"spools/{third.code}/load", toolhead=head.pk, slot=9) == {"slot": "no_such_slot"}
    assert [row["slot"] for row in api.get(f"toolheads/{head.pk}")["loadings"]] == [1, 2]
    machine = desk.get(reverse("machine", args=[head.printer_id]))
    assert shows(machine, pretty(first.code), pretty(second.code), note="slot")
    assert shows(desk.get(reverse("spool", args=[first.code])), "South T0, slot 2")
    # A file of two tools, each judged in its slot; the other way round on demand.
    file = kept(MULTICOLOUR, "dice.gcode")
    verdicts = {row["printer"]: row for row in api.get(f"job-files/{file.pk}/readiness")}
    parts = verdicts[head.printer_id]["parts"]
    assert [(row["slot"], row["changes"], row["purge_g"]) for row in parts] == [(1, 1, 2), (2, 2, 4)]
    asked = {"printer": head.printer_id, "slots": [2, 1], "changes": 9}
    [turned] = api.get(f"job-files/{file.pk}/readiness", **asked)
    assert [(row["slot"], row["uses"], row["changes"]) for row in turned["parts"]] == [
        (2, [0], 3),
        (1, [1], 6),
    ]
    assert {check["slot"] for check in turned["checks"]} == {1, 2}
    address = reverse("job-file-print", args=[file.pk])
    form = desk.get(address, {"printer": head.printer_id}).context["form"]
    given = {
        "printer": head.printer_id,
        "spool_1": form["spool_1"].value(),
        "spool_2": form["spool_2"].value(),
    }
    assert (given["spool_1"], given["spool_2"]) == (second.pk, first.pk)
    given |= {"name": "dice", "stage": "printing", "when": ""}
    checked = desk.post(address, given | {"check": "1"})
    assert shows(checked, "South T0, slot 1", "South T0, slot 2", "4 g", note="job_part")
    given |= {"checked": checked.context["verdict_key"], "record": "1"}
    assert desk.post(address, given).status_code == 302
    job = Job.objects.get(name="dice")
    api.post(f"jobs/{job.pk}/end", status=200, result="finished")
    uses = {row["slot"]: row for row in api.get(f"jobs/{job.pk}")["uses"]}
    assert (uses[1]["purge_g"], uses[2]["purge_g"]) == (2, 4)
    assert remaining(first).mass_g == pytest.approx(before[first] - uses[2]["mass_g"])
    assert shows(desk.get(reverse("job", args=[job.pk])), "4 g", note="purged")
    # A print by hand, from a third slot as well.
    api.post(f"spools/{third.code}/load", toolhead=head.pk, override_reason=REASON)
    on = {row.spool: row.pk for row in Loading.objects.present().filter(toolhead=head)}
    given = {"loading": on[first], "name": "tag", "stage": "finished", "mass_g": 10, "hours": "0,02"}
    given |= {"nozzle_c": 210, "bed_c": 60, f"more_{on[third]}": 5, "changes": 6, "check": "1"}
    checked = desk.post(reverse("job-new"), given)
    given |= {"checked": checked.context["verdict_key"], "record": "1"}
    assert desk.post(reverse("job-new"), given).status_code == 302
    tag = Job.objects.get(name="tag")
    assert list(tag.uses.order_by("mass_g").values_list("spool", "slot", "mass_g", "purge_g")) == [
        (third.pk, 3, 11, 6),
        (first.pk, 2, 16, 6),
    ]
    assert shows(desk.get(reverse("usage")), "18 g", note="purged")
    again = desk.get(reverse("job-new"), {"from": tag.pk}).context["form"]
    assert (again["mass_g"].value(), again[f"more_{on[third]}"].value(), again["changes"].value()) == (
        10,
        5,
        6,
    )
    # Off again, slot by slot.
    assert desk.post(reverse("spool-unload", args=[first.code]), {"place": shop.shelf.pk}).status_code == 302
    assert {row.slot for row in Loading.objects.present().filter(toolhead=head)} == {1, 3}
    # Before all that another spool was in the second slot for an hour.
    past = {
        "toolhead": head.pk,
        "slot": 2,
        "start": local_input(hours_ago(9)),
        "end": local_input(hours_ago(8)),
    }
    other = shop.spools[12]
    assert desk.post(reverse("spool-past-loading", args=[other.code]), past).status_code == 302
    assert Loading.objects.get(spool=other).slot == 2
    both = {"toolhead": head.pk, "spool": second.code, "name": "tag 2", "mass_g": 4, "hours": 0.02}
    both |= {"nozzle_c": 210, "bed_c": 60, "more": [{"spool": third.code, "mass_g": 3}], "stage": "printing"}
    assert {row["mass_g"] for row in api.post("jobs", **both)["reservations"]} == {4, 3}
