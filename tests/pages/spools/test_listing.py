"""A list of spools pasted on its page, or sent to the API: looked through, then received."""

import io

import pytest
from django.test import Client

from access.tokens import add_token
from spools.models import Place, Spool
from tests.pages.corner import corner
from tests.pages.shown import notes, shows

LIST = "material\tmaker\tamount_g\nPA6\tExample Works\t750\nPA6\tExample Works\t500\n"


@pytest.fixture
def shop(db):
    return corner()


@pytest.fixture
def desk(shop) -> Client:
    client = Client()
    client.force_login(shop.user)
    return client


def test_a_pasted_list_is_shown_before_it_is_received_and_then_labelled(shop, desk):
    before = Spool.objects.count()
    page = desk.post("/spools/import/", {"text": LIST, "place": shop.box.pk})
    assert len(page.context["listed"]) == 2 and shows(page, "750 g", "Dry box", note="preview")
    assert "750" in page.context["form"]["text"].value() and Spool.objects.count() == before
    page = desk.post("/spools/import/", {"text": LIST, "place": shop.box.pk, "store": "1"}, follow=True)
    assert page.request["PATH_INFO"] == "/labels/" and Spool.objects.count() == before + 2


def test_faults_are_listed_and_what_was_pasted_stays(shop, desk):
    page = desk.post("/spools/import/", {"text": LIST + "PA6\tX\tmuch\n", "place": shop.box.pk, "store": "1"})
    assert "faults" in notes(page) and shows(page, "4", "amount_g", note="faults")
    assert "much" in page.context["form"]["text"].value()
    for values in (
        {"text": ""},
        {"text": "maker\nX\n"},
        {"text": LIST, "place": "0"},
        {"file": io.BytesIO(b"\xff\xfe\0")},
    ):
        assert desk.post("/spools/import/", values).context["form"].errors
    assert Spool.objects.count() == 2


def test_a_file_becomes_the_text_of_the_page(shop, desk):
    page = desk.post(
        "/spools/import/", {"file": io.BytesIO(LIST.encode()), "place": shop.box.pk, "store": "1"}
    )
    assert page.context["form"]["text"].value() == LIST and Spool.objects.count() == 2


def test_the_api_receives_a_list_or_names_each_bad_line(shop, client):
    shop.user.refresh_from_db()
    _, key = add_token(shop.user, "script", "all")
    bearer = {"authorization": f"Token {key}"}

    def send(text: str, query: str = ""):
        return client.post(
            f"/api/v1/spool-lists?place={shop.box.pk}{query}", text, content_type="text/csv", headers=bearer
        )

    looked = send(LIST, "&preview=true")
    assert looked.status_code == 201 and [row["code"] for row in looked.json()] == [None, None]
    assert Spool.objects.count() == 2
    received = send(LIST)
    assert [row["amount_g"] for row in received.json()] == [750, 500] and Spool.objects.count() == 4
    assert {row["code"] for row in received.json()} <= set(Spool.objects.values_list("code", flat=True))
    refused = send(LIST + "wood\t\t1\nPA6\t\tx\n")
    assert refused.status_code == 400
    assert [error["field"] for error in refused.json()["errors"]] == ["lines.4.material", "lines.5.amount_g"]
    assert (
        client.post("/api/v1/spool-lists", {}, content_type="application/json", headers=bearer).status_code
        == 415
    )
    assert Place.objects.count() == 4
