"""Headers of every answer, refusals too, and what SECURE=1 adds."""

import json
import os
import subprocess
import sys

import pytest

from tests.services.shop import REPOSITORY

IN_SECURE = """
import django, json
django.setup()
from django.core.management import call_command
from django.test import Client
from django.conf import settings
call_command("check", deploy=True, fail_level="WARNING", verbosity=0)
client = Client()
plain = client.get("/spools/?q=a", headers={"host": "shop.example"})
page = client.get("/sign-in/", secure=True, headers={"host": "shop.example"})
script = client.post("/api/v1/token/", headers={"host": "shop.example"})
cookie = page.cookies["__Host-csrftoken"]
from django.db import connection
cursor = connection.cursor()
print(json.dumps({
    "synchronous": cursor.execute("PRAGMA synchronous").fetchone()[0],
    "redirect": [plain.status_code, plain["Location"]],
    "script": [script.status_code, script.json()["errors"][0]["code"]],
    "hsts": page["Strict-Transport-Security"],
    "cookie": [cookie["secure"], cookie["path"], cookie["domain"]],
    "session": settings.SESSION_COOKIE_NAME,
}))
"""


@pytest.mark.parametrize(
    ("address", "host", "status"),
    [
        ("/sign-in/", "localhost", 200),
        ("/spools/", "localhost", 302),
        ("/api/v1/spools", "localhost", 401),
        ("/sign-in/", "elsewhere.example", 400),
        ("/api/docs/", "localhost", 200),
    ],
)
@pytest.mark.django_db
def test_every_answer_has_the_headers(client, address, host, status):
    answer = client.get(address, headers={"host": host})
    assert answer.status_code == status
    assert "no-store" in answer["Cache-Control"]
    assert answer["Permissions-Policy"].startswith("camera=(self), ")
    assert answer["Cross-Origin-Resource-Policy"] == "same-origin"
    assert answer["X-Frame-Options"] == "DENY"
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Referrer-Policy"] == answer["Cross-Origin-Opener-Policy"] == "same-origin"
    policy = answer["Content-Security-Policy"]
    assert "default-src 'self'" in policy and "unsafe" not in policy


@pytest.mark.django_db
def test_the_page_of_the_api_keeps_to_the_policy(client):
    page = client.get("/api/docs/").content.decode()
    assert "<style" not in page and page.count("<script") == page.count("<script src=") == 3
    script = client.get("/api/docs/?script=")
    assert script["Content-Type"].startswith("application/javascript")


def test_secure_is_clean_for_a_deployment():
    env = os.environ | {
        "SECURE": "1",
        "SECRET_KEY": "".join(chr(33 + number) for number in range(90)),
        "ALLOWED_HOSTS": "shop.example",
        "DATABASE_URL": "sqlite://:memory:",
        "DJANGO_SETTINGS_MODULE": "config.settings",
    }
    env.pop("DJANGO_ALLOW_ASYNC_UNSAFE", None)
    done = subprocess.run(
        [sys.executable, "-c", IN_SECURE], cwd=REPOSITORY, env=env, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    answers = json.loads(done.stdout.splitlines()[-1])
    assert answers["redirect"] == [301, "https://shop.example/spools/?q=a"]
    assert answers["script"] == [403, "https_needed"]
    assert answers["hsts"] == "max-age=31536000"
    assert answers["cookie"] == [True, "/", ""]
    assert answers["synchronous"] == 2, "FULL: what was acknowledged survives a power cut"
    assert answers["session"] == "__Host-sessionid"
