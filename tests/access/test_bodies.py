"""Long bodies: refused by the head of the request, before anything of them is read."""

import pytest
from django.test import Client

from access.bodies import is_body_refused
from access.tokens import add_token
from maintenance.models import JobFile

LENGTH = 50 * 2**20
FORM = "multipart/form-data; boundary=x"


class BodyRead(Exception):
    pass


class Unreadable:
    """A body that must not be touched."""

    def read(self, *args):
        raise BodyRead

    readline = __iter__ = read


def post(client, address: str, length: int = LENGTH, **headers):
    """A form whose head says that it is long, with the cookie that the check against other sites asks for."""
    client.cookies["csrftoken"] = "x" * 32
    declared = {"CONTENT_LENGTH": str(length), "CONTENT_TYPE": FORM, "wsgi.input": Unreadable()}
    return client.generic("POST", address, **declared, **headers)


@pytest.fixture
def browsers(people):
    made = {"anonymous": Client(enforce_csrf_checks=True)}
    for role, user in people.items():
        made[role] = Client(enforce_csrf_checks=True)
        made[role].force_login(user)
    return made


@pytest.mark.parametrize(
    ("who", "address", "status"),
    [
        ("anonymous", "/healthz", 413),
        ("anonymous", "/sign-in/", 413),
        ("anonymous", "/nothing/", 413),
        ("anonymous", "/jobs/files/", 302),
        ("anonymous", "/api/v1/job-files", 401),
        ("anonymous", "/api/v1/places", 413),
        ("view", "/jobs/files/", 403),
        ("view", "/api/v1/job-files", 403),
        ("work", "/spools/receive/", 413),
        ("work", "/api/v1/places/1/readings/csv", 413),
        ("superuser", "/admin/", 413),
    ],
)
def test_a_long_body_is_refused_unread(browsers, who, address, status):
    assert post(browsers[who], address).status_code == status


@pytest.mark.parametrize("address", ["/jobs/files/", "/api/v1/job-files"])
def test_job_files_of_people_may_be_long(browsers, address, settings):
    with pytest.raises(BodyRead):
        post(browsers["work"], address)
    assert post(browsers["work"], address, 2 * 2**30).status_code == 413
    settings.JOB_FILES_BYTES = LENGTH - 1
    answer = post(browsers["work"], address)
    assert answer.status_code == 413 and b"job_files_quota" in answer.content
    settings.JOB_FILES_BYTES, settings.LEAST_FREE_BYTES = 0, 2**60
    answer = post(browsers["work"], address)
    assert answer.status_code == 413 and b"disk_low" in answer.content
    assert not JobFile.objects.exists()


def test_a_token_sends_long_job_files_only_within_its_scope(people):
    keys = {scope: add_token(people["work"], scope, scope)[1] for scope in ("read", "weighings", "jobs")}
    for scope, refused in (("read", True), ("weighings", True), ("jobs", False)):
        head = {"AUTHORIZATION": f"Token {keys[scope]}", "CONTENT_LENGTH": str(LENGTH)}
        assert is_body_refused("POST", "/api/v1/job-files", head) is refused
        assert is_body_refused("POST", "/api/v1/printers", head)
    answer = post(Client(), "/api/v1/job-files", HTTP_AUTHORIZATION=f"Token {keys['read']}")
    assert answer.status_code == 401


def test_the_web_server_asks_the_same_for_a_browser(browsers):
    for who, refused in (("work", False), ("view", True), ("anonymous", True)):
        cookie = browsers[who].cookies.output(header="", sep=";").strip()
        head = {"COOKIE": cookie, "CONTENT_LENGTH": str(LENGTH)}
        assert is_body_refused("POST", "/jobs/files/", head) is refused
