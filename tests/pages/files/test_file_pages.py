"""Files on their pages and through the API: out by links, in after a list of changes."""

import io
import re
import subprocess

import pytest
from django.conf import settings
from django.test import Client

from access.tokens import add_token
from maintenance.files.guide import insert_guide
from maintenance.files.kinds import KINDS
from spools.models import Place, Spool
from tests.pages.corner import corner
from tests.pages.shown import notes, shows

LIST = "material\tmaker\tamount_g\nPA6\tExample Works\t750\nPA6\tExample Works\t500\n"
GUIDE = settings.BASE_DIR / "docs" / "neighbours" / "files.md"


@pytest.fixture
def shop(db):
    return corner()


@pytest.fixture
def desk(shop) -> Client:
    client = Client()
    client.force_login(shop.user)
    return client


def test_the_page_links_each_kind_and_describes_its_columns(shop, desk):
    page = desk.get("/files/").content.decode()
    for kind in KINDS:
        assert f'"/api/v1/files/{kind}.csv"' in page and f'"/files/{kind}/"' in page
        answer = desk.get(f"/api/v1/files/{kind}.csv?spreadsheet=true")
        assert answer.status_code == 200 and b"".join(answer.streaming_content).startswith(b"\xef\xbb\xbf")
    assert "<code>d23_m2_s</code>" in page and "<code>dry_box</code>" in page


def test_a_pasted_list_is_shown_before_it_is_received_and_then_labelled(shop, desk):
    before = Spool.objects.count()
    page = desk.post("/files/spools/", {"text": LIST, "place": shop.box.pk})
    assert len(page.context["changes"]) == 2 and "changes" in notes(page)
    assert "750" in page.context["form"]["text"].value() and Spool.objects.count() == before
    digest = page.context["outcome"].digest
    stale = desk.post("/files/spools/", {"text": LIST, "place": shop.box.pk, "store": "0" * 32})
    assert stale.context["outcome"].digest == digest and Spool.objects.count() == before
    page = desk.post("/files/spools/", {"text": LIST, "place": shop.box.pk, "store": digest}, follow=True)
    assert page.request["PATH_INFO"] == "/labels/" and Spool.objects.count() == before + 2


def test_changes_and_faults_are_listed_and_what_was_pasted_stays(shop, desk):
    page = desk.post("/files/places/", {"text": "name,assumed_rh_pct,shade\nDry box,22,x\n"})
    assert shows(page, "15", "22", note="changes") and shows(page, "shade", note="ignored")
    page = desk.post("/files/places/", {"text": "name,assumed_rh_pct\nDry box,much\n", "store": "x"})
    assert (
        shows(page, "2", "assumed_rh_pct", note="faults") and "much" in page.context["form"]["text"].value()
    )
    for values in ({"text": ""}, {"text": "x\nX\n"}, {"file": io.BytesIO(b"\xff\xfe\0")}):
        assert desk.post("/files/places/", values).context["form"].errors
    page = desk.post(
        "/files/spools/", {"file": io.BytesIO(LIST.encode()), "place": shop.box.pk, "store": "x"}
    )
    assert page.context["form"]["text"].value() == LIST and Spool.objects.count() == 2
    shop.box.refresh_from_db()
    assert shop.box.assumed_rh_pct == 15


def test_the_api_reads_a_file_or_names_each_bad_line(shop, client):
    shop.user.refresh_from_db()
    _, key = add_token(shop.user, "script", "all")
    bearer = {"authorization": f"Token {key}"}

    def send(text: str, query: str = ""):
        address = f"/api/v1/files/spools?place={shop.box.pk}{query}"
        return client.post(address, text, content_type="text/csv", headers=bearer)

    looked = send(LIST, "&preview=true").json()
    assert (looked["stored"], looked["counts"]["new"]) == (False, 2)
    assert [row["id"] for row in looked["changes"]] == [None, None] and Spool.objects.count() == 2
    changed = send(LIST, "&digest=other")
    assert changed.status_code == 409 and changed.json()["present"]["digest"] == looked["digest"]
    stored = send(LIST, f"&digest={looked['digest']}").json()
    assert {row["id"] for row in stored["changes"]} <= set(Spool.objects.values_list("code", flat=True))
    refused = send(LIST + "wood\t\t1\nPA6\t\tx\n")
    assert refused.status_code == 400 and Spool.objects.count() == 4
    assert [error["field"] for error in refused.json()["errors"]] == ["lines.4.material", "lines.5.amount_g"]
    text = client.get("/api/v1/files/spools.json", headers=bearer)
    rows = b"".join(text.streaming_content)
    again = client.post("/api/v1/files/spools", rows, content_type="application/json", headers=bearer)
    assert again.json()["counts"] == {"new": 0, "changed": 0, "same": 4}


def test_the_guide_names_the_present_columns():
    page = GUIDE.read_text()
    assert insert_guide(page) == page


@pytest.mark.django_db(transaction=True)
def test_the_commands_of_the_guide_work_as_printed(live_server, tmp_path):
    user = corner().user
    _, key = add_token(user, "script", "all")
    commands = re.findall(r"^    (curl .*files/places.*)$", GUIDE.read_text(), re.MULTILINE)
    assert len(commands) == 4
    environment = {"SHOP": live_server.url, "TOKEN": key, "PATH": "/usr/bin:/bin"}
    answers = [
        subprocess.run(["bash", "-c", line], env=environment, cwd=tmp_path, check=True, capture_output=True)
        for line in commands
    ]
    assert b'"same":4' in answers[2].stdout and b'"stored":true' in answers[3].stdout
    assert Place.objects.count() == 4
