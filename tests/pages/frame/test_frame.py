"""The parts that all pages share: signing in, the frame, error pages, an empty shop."""

import re

import pytest
from django.test import Client
from django.views.defaults import bad_request, server_error

from spools.inventory.moves import current_stay
from spools.models import Spool
from tests.pages.corner import PASSWORD, corner, of
from tests.pages.shown import notes, require_refused


@pytest.fixture
def shop(db):
    return corner()


@pytest.fixture
def free(shop) -> Spool:
    """A nylon spool in a bag."""
    return shop.free


@pytest.fixture
def desk(shop) -> Client:
    """A signed-in browser; a page that fails raises."""
    client = Client()
    client.force_login(shop.user)
    return client


ACTS = ["label", "history", "move", "away", "weigh", "load", "unload", "dry", "end"]


def test_a_stranger_is_asked_to_sign_in_and_then_led_on(shop, free):
    stranger = Client()
    for address in ["/", "/scan/", "/spools/", "/spools/receive/", of("spool", free)] + [
        of(f"spool-{act}", free) for act in ACTS
    ]:
        assert stranger.get(address).headers["Location"].startswith("/sign-in/"), address
    page = stranger.get(f"/sign-in/?next=/S/{free.code}")
    assert page.status_code == 200
    wrong = stranger.post("/sign-in/", {"username": "ada", "password": "no"})
    require_refused(wrong, "invalid_login", "__all__")
    signed_in = stranger.post(
        "/sign-in/", {"username": "ada", "password": PASSWORD, "next": f"/S/{free.code}"}, follow=True
    )
    assert signed_in.request["PATH_INFO"] == of("spool", free)
    assert stranger.get("/sign-in/").headers["Location"] == "/"
    assert stranger.post("/sign-out/").headers["Location"] == "/sign-in/"
    assert stranger.get("/").status_code == 302


def test_no_act_without_the_forms_token(shop, free):
    elsewhere = Client(enforce_csrf_checks=True)
    elsewhere.force_login(shop.user)
    refused = elsewhere.post(of("spool-move", free), {"place": shop.shelf.pk})
    assert refused.status_code == 403
    assert "not_saved" in notes(refused)
    assert current_stay(free).place == shop.bag


def test_pages_without_anything_in_the_shop(db, django_user_model):
    client = Client()
    client.force_login(django_user_model.objects.create_user("ada", role="set_up"))
    for address in ["/", "/scan/", "/spools/", "/spools/?empty=1", "/spools/receive/"]:
        assert client.get(address).status_code == 200, address


def test_error_pages(desk):
    missing = desk.get("/nothing/here/")
    assert missing.status_code == 404
    assert "not_found" in notes(missing)
    assert 'name="code"' in missing.content.decode()


def test_an_address_for_forms_answers_get_with_a_page(desk, shop):
    stranger = Client()
    address = "/drying/week/plan/"
    assert stranger.post(address).headers["Location"] == f"/sign-in/?next={address}"
    signed_in = {"username": "ada", "password": PASSWORD, "next": address}
    assert stranger.post("/sign-in/", signed_in).headers["Location"] == address
    page = stranger.get(address)
    assert page.status_code == 405 and page.headers["Allow"] == "POST"
    assert "unchanged" in notes(page) and b'class="button" href="/"' in page.content
    assert desk.get("/api/v1/week-plans").headers["Content-Type"] == "application/json"


def test_a_fault_is_admitted_without_the_database(client, settings, rf):
    """The page of a fault needs neither the database nor who is asking."""
    assert "fault" in notes(server_error(rf.get("/")))
    assert "not_saved" in notes(bad_request(rf.get("/"), Exception()))


def test_the_frame_marks_the_page_and_has_a_skip_link(desk, free):
    page = desk.get(of("spool", free)).content.decode()
    assert '<html lang="en-gb" dir="ltr">' in page and 'href="#main"' in page
    assert re.search(r'href="/spools/" aria-current="page"', page)
    scripts = [f'<script src="/static/{name}.js" defer>' for name in ("chart", "live")]
    assert re.findall(r"<script[^>]*>", page) == scripts
    assert " style=" not in page and " onclick=" not in page
