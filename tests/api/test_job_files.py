"""Job files through the interface: taken in, read, judged, recorded."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from background.running import run_due
from maintenance.models import JobFile
from spools.models import Spool
from tests.restored import built_once
from tests.spools.conftest import feedstock, polymer

from .conftest import V1, ago

JOB = "M83\nM104 S260\nM140 S80\nG1 F1200\nG0 Z0.2\n" + 10 * "G1 X100 E500\nG1 X0 E500\n"


@pytest.fixture(autouse=True)
def data_folder(settings, tmp_path):
    settings.DATA_DIR = tmp_path / "data"


def send(api, text: str = JOB, name: str = "bracket.gcode", status: int = 201, **fields):
    body = {"file": SimpleUploadedFile(name, text.encode()), **fields}
    response = api.client.post(f"{V1}job-files", body, format="multipart")
    assert response.status_code == status, response.content
    return response.json()


@built_once
def loaded(api, shop, receive):
    code = receive()
    api.post(f"spools/{code}/load", toolhead=shop.toolhead, at=ago(hours=5), override_reason="a test")
    return code


def test_content_is_deleted_and_facts_stay(api):
    address = f"job-files/{send(api)['id']}"
    assert api.refusals(f"{address}/content", method="delete") == {"": "file_being_read"}
    run_due("files")
    for _ in range(2):
        file = api.client.delete(f"{V1}{address}/content").json()
        assert file["uses"] and file["content_deleted_at"]
    assert api.refusals(f"{address}/read") == {"": "content_removed"}
    assert api.client.delete(V1 + address).status_code == 405


def test_from_file_to_job(api, shop, loaded):
    sent = send(api, printer=shop.printer, diameter_mm="1.75")
    assert (sent["state"], sent["uses"], sent["seconds"]) == ("waiting", [], None)
    run_due("files")
    file = api.get(f"job-files/{sent['id']}")
    (use,) = file["uses"]
    assert (file["state"], file["share_read"], file["remarks"], file["unread"]) == ("read", 1, [], {})
    assert use["filament_mm"] == pytest.approx(10_000)
    assert use["cm3"] == pytest.approx(24.0528, rel=1e-5)
    assert use["hot"] == [{"value": 260, "amount": pytest.approx(file["seconds"], rel=0.001)}]
    assert sum(file["flow_mm3_s"]) * file["flow_bin_s"] == pytest.approx(24_052.8, rel=1e-4)
    assert [row["id"] for row in api.get("job-files", state="read")["results"]] == [file["id"]]

    (on,) = api.get(f"job-files/{file['id']}/readiness")
    (part,) = on["parts"]
    assert (on["printer"], part["spool"], part["uses"]) == (shop.printer, loaded, [0])
    assert on["state"] == part["state"] and {"diameter", "retraction"} <= {c["name"] for c in part["checks"]}

    request_data = {
        "printer": shop.printer,
        "spools": [loaded],
        "start": ago(hours=2),
        "override_reason": "a test",
    }
    job = api.post(f"job-files/{file['id']}/record", **request_data, stopped_pct=57.14)
    assert (job["name"], job["file"]) == ("bracket.gcode", file["id"])
    assert (job["stopped"]["code"], job["stopped"]["values"]) == ("job_stop.at_share", {"stopped_pct": 57.14})
    assert job["uses"][0]["mass_g"] == pytest.approx(part["mass_g"] / 2, rel=0.03)
    assert Spool.objects.get(code=loaded).mass_entries.filter(kind="printed").count() == 1


def test_read_again_and_stop(api, shop):
    sent = send(api)
    assert api.post(f"job-files/{sent['id']}/stop", status=200)["state"] == "stopped"
    assert api.refusals(f"job-files/{sent['id']}/stop") == {"": "reading_ended"}
    again = api.post(f"job-files/{sent['id']}/read", status=200, diameter_mm=2.85)
    assert (again["state"], again["diameter_mm"]) == ("waiting", 2.85)
    refusals = api.refusals(f"job-files/{sent['id']}/read", diameter_mm=50)
    assert refusals == {"diameter_mm": "out_of_range"}


def test_a_file_that_is_not_read_yet_is_not_judged(api, shop, loaded):
    sent = send(api, "\0")
    assert api.get(f"job-files/{sent['id']}/readiness", 400)["errors"][0]["code"] == "not_read"
    run_due("files")
    file = api.get(f"job-files/{sent['id']}")
    assert file["state"] == "refused" and file["problem"]["code"] == "job_file.nul"
    request_data = {"printer": shop.printer, "spools": [loaded]}
    assert "Read it first" in api.refused(f"job-files/{sent['id']}/record", **request_data)[""]


@pytest.mark.parametrize(
    ("text", "fields", "field"),
    [
        ("", {}, "file"),
        (JOB, {"diameter_mm": "50"}, "diameter_mm"),
        (JOB, {"diameter_mm": "much"}, "diameter_mm"),
        (JOB, {"printer": "999"}, "printer"),
        (JOB, {"speed": "1"}, "speed"),
    ],
)
def test_unacceptable_files_are_refused(api, shop, text, fields, field):
    errors = send(api, text, status=400, **fields)["errors"]
    assert [error["field"] for error in errors] == [field]
    assert not JobFile.objects.exists()


def test_a_file_comes_as_a_form(api, shop):
    assert api.client.post(f"{V1}job-files", {"file": "G1 X1"}, format="json").status_code == 415
    assert api.client.post(f"{V1}job-files", {"file": "G1 X1"}, format="multipart").status_code == 400


def test_a_large_file_is_taken_in(api, shop, settings):
    """Above the limit of the other endpoints."""
    settings.MOST_BODY_BYTES = 2000
    text = JOB + "; " + "x" * 100 + "\n"
    assert send(api, text * 20)["size_bytes"] > 2000
    sent = send(api)
    body = {"job_files": "x" * 2000}
    assert api.client.post(f"{V1}job-files/{sent['id']}/read", body, format="json").status_code == 413


def test_refusals_of_the_record_name_their_field(api, shop, loaded, receive):
    sent = send(api)
    run_due("files")
    path = f"job-files/{sent['id']}/record"
    request_data = {"printer": shop.printer, "spools": [loaded], "override_reason": "a test"}
    assert "not both" in api.refused(path, **request_data, stopped_line=3, stopped_pct=5)["stopped_line"]
    assert "1 spool" in api.refused(path, **(request_data | {"spools": [loaded, receive()]}))["spools"]
    assert "was not on" in api.refused(path, **(request_data | {"spools": [receive()]}))["spool"]
    assert api.refused(path, **(request_data | {"spools": []}))


def material_check(verdict: dict) -> dict:
    return next(check for check in verdict["checks"] if check["name"] == "material")


def test_a_file_that_states_its_material_is_held_on_a_spool_of_another(api, shop, loaded):
    # The spool holds nylon; 260 °C suit it, and so does nothing else on the file.
    file = send(api)["id"]
    assert api.refusals(f"job-files/{file}/material", polymer=polymer("PETG").pk) == {"": "not_read"}
    run_due("files")
    own = Spool.objects.get(code=loaded).feedstock
    other = polymer("PETG")
    for stated, state, code in [
        ({}, "clear", "readiness.material_fits"),
        ({"polymer": other.pk}, "hold", "readiness.made_for_other_material"),
        ({"polymer": own.polymer_id, "tool": 0}, "clear", "readiness.material_fits"),
        ({"feedstock": own.pk}, "clear", "readiness.material_fits"),
        ({"feedstock": feedstock("PA6", colour="grey").pk}, "caution", "readiness.made_for_other_feedstock"),
        ({}, "clear", "readiness.material_fits"),
    ]:
        materials = api.post(f"job-files/{file}/material", status=200, **stated)["materials"]
        given = {"tool": 0, "feedstock": None, "polymer": None} | stated
        assert materials == ([given] if stated else [])
        [on] = api.get(f"job-files/{file}/readiness")
        check = material_check(on["parts"][0])
        assert (check["state"], check["code"]) == (state, code)


def test_a_recorded_print_of_a_file_stores_the_check_of_its_material(api, shop, loaded):
    file = send(api)["id"]
    run_due("files")
    api.post(f"job-files/{file}/material", status=200, polymer=polymer("PETG").pk)
    numbers = {"printer": shop.printer, "spools": [loaded], "start": ago(hours=2)}
    job = api.post(f"job-files/{file}/record", **numbers)
    assert (job["state"], job["stage"]) == ("hold", "finished")
    assert material_check({"checks": job["reasons"]})["state"] == "hold"


def test_refusals_of_a_stated_material(api, shop, loaded):
    file = send(api)["id"]
    run_due("files")
    own = Spool.objects.get(code=loaded).feedstock
    both = {"polymer": own.polymer_id, "feedstock": own.pk}
    assert api.refusals(f"job-files/{file}/material", **both) == {"": "one_material"}
    refused = api.refusals(f"job-files/{file}/material", polymer=own.polymer_id, tool=1)
    assert refused == {"tool": "unused_tool"}


def test_a_job_of_a_request_states_its_material(api, shop, loaded):
    pair = {"toolhead": shop.toolhead, "spool": loaded}
    job = {"mass_g": 50, "hours": 2, "nozzle_c": 260, "bed_c": 80}
    for stated, state in (({}, "clear"), ({"polymer": polymer("PETG").pk}, "hold")):
        assert material_check(api.get("readiness", **pair, **job, **stated))["state"] == state
        [verdict] = api.post("readiness", status=200, pairs=[pair], job=job | stated)
        assert material_check(verdict)["state"] == state
