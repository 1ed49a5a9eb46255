import subprocess
import sys

import pytest
from django.test import RequestFactory

from background.views import healthz
from tests.services.servers import free_port
from tests.services.shop import REPOSITORY, shop_env


@pytest.mark.django_db
def test_it_answers_while_the_database_does():
    answer = healthz(RequestFactory().get("/healthz"))
    assert (answer.status_code, answer.content) == (200, b"ok\n")


def test_it_says_when_the_database_does_not_answer(tmp_path):
    code = (
        "import django; django.setup()\n"
        "from django.test import RequestFactory; from background.views import healthz\n"
        "print(healthz(RequestFactory().get('/healthz')).status_code)"
    )
    env = shop_env(
        tmp_path,
        database_url=f"postgres://shop@127.0.0.1:{free_port()}/shop",
        DJANGO_SETTINGS_MODULE="tests.background.settings",
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=REPOSITORY, env=env, capture_output=True, text=True
    )
    assert done.stdout == "503\n", done.stderr
