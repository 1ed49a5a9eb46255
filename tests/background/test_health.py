import subprocess
import sys

import pytest
from django.db.migrations.recorder import MigrationRecorder
from django.test import RequestFactory
from django.utils import timezone

from background import health
from background.health import run_checks
from background.models import WorkItem
from background.queue import background_work, enqueue, repeated_work
from background.running import claim_next, run_due
from background.views import healthz, readyz
from tests.services.servers import free_port
from tests.services.shop import REPOSITORY, shop_env


@pytest.mark.django_db
def test_it_answers_while_the_database_does():
    answer = healthz(RequestFactory().get("/healthz"))
    assert (answer.status_code, answer.content) == (200, b"ok\n")


def test_a_database_that_does_not_answer_is_reported(tmp_path):
    code = (
        "import django; django.setup()\n"
        "from django.test import RequestFactory; from background.views import healthz, readyz\n"
        "print(healthz(RequestFactory().get('/healthz')).status_code)\n"
        "print(readyz(RequestFactory().get('/readyz')).content.decode())"
    )
    env = shop_env(
        tmp_path,
        database_url=f"postgres://shop@127.0.0.1:{free_port()}/shop",
        DJANGO_SETTINGS_MODULE="tests.background.settings",
    )
    finished = subprocess.run(
        [sys.executable, "-c", code], cwd=REPOSITORY, env=env, capture_output=True, text=True
    )
    says = "503\ndatabase: It does not answer: start it, or correct DATABASE_URL.\n\n"
    assert finished.stdout == says, finished.stderr


@pytest.fixture
def marking(empty_registry):
    """Nothing but a mark each minute, and one in the queue of deliveries."""
    repeated_work(name="mark", minutes=1)(lambda: None)
    background_work("send", queue="delivery")(lambda: None)


def unwell(now=None) -> dict[str, str]:
    return {check.name: check.problem for check in run_checks(now or timezone.now()) if not check.is_ok}


@pytest.mark.django_db
def test_it_is_ready_once_a_sweep_has_come_and_as_long_as_they_come(marking):
    answer = readyz(RequestFactory().get("/readyz"))
    assert answer.status_code == 503
    assert "schedule: Nothing was scheduled yet" in answer.content.decode()
    run_due()
    answer = readyz(RequestFactory().get("/readyz"))
    assert (answer.status_code, answer.content.decode().splitlines()[0]) == (200, "database: ok")
    late = timezone.now() + 2 * health.SERVED_WITHIN
    assert "Nothing was scheduled since" in unwell(late)["schedule"]


@pytest.mark.django_db
def test_a_queue_that_nobody_serves_is_named(marking):
    now = timezone.now()
    enqueue("send", due=now - 2 * health.SERVED_WITHIN)
    run_due(queue="reminders")
    assert list(unwell()) == ["queue delivery"]
    claim_next(now)
    assert unwell() == {}, "it moves while one of its items runs"
    WorkItem.objects.filter(name="send").update(lease_until=now, due=now)
    run_due()
    enqueue("send", due=now - 2 * health.SERVED_WITHIN)
    assert unwell() == {}, "or has just ended"


@pytest.mark.django_db
def test_waiting_migrations_are_reported_before_other_checks_run(monkeypatch):
    applied = MigrationRecorder.applied_migrations

    def without_the_last(recorder):
        return {key: row for key, row in applied(recorder).items() if key[0] != "background"}

    monkeypatch.setattr(MigrationRecorder, "applied_migrations", without_the_last)
    assert [check.name for check in run_checks(timezone.now())] == ["database", "migrations"]
    assert "run manage.py prepare" in unwell()["migrations"]


@pytest.mark.django_db
def test_a_missing_redis_is_reported(marking, settings):
    run_due()
    settings.REDIS_URL = f"redis://127.0.0.1:{free_port()}/0"
    assert list(unwell()) == ["redis"]
