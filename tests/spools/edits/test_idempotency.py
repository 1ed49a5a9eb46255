"""Requests that are sent twice are carried out once, however they meet."""

import io
import subprocess
import sys
from datetime import timedelta

import pytest
from django.contrib.auth import get_user_model
from django.core.exceptions import ValidationError
from django.utils import timezone

from spools.edits.idempotency import KEPT_FOR, KeyedRequest, KeyReused, answer_once, prune
from spools.models import Maker, SentRequest
from tests.services.shop import REPOSITORY, shop_env

pytestmark = pytest.mark.django_db


@pytest.fixture
def ada():
    return get_user_model().objects.create_user("ada", role="set_up")


def send(account, content, key="k", address="/makers", act=None):
    """Adds a maker by the content's name; its answer is the number of makers."""

    def add() -> str:
        Maker.objects.create(name=f"{content['name']} {Maker.objects.count()}")
        return str(Maker.objects.count())

    request = KeyedRequest(account, address, key, content)
    return answer_once(
        request,
        act or add,
        lambda answer: None if answer == "refused" else (201, answer),
        lambda status, answer: answer,
    )


def test_the_first_answer_is_replayed(ada):
    assert [send(ada, {"name": "Example"}) for _ in range(3)] == ["1", "1", "1"]
    assert Maker.objects.count() == 1


def test_a_key_counts_for_one_account_and_one_address(ada):
    bo = get_user_model().objects.create_user("bo", role="set_up")
    sent = [{"account": ada}, {"account": bo}, {"account": ada, "address": "/other"}]
    sent.append({"account": ada, "key": "another"})
    assert [send(content={"name": "Example"}, **each) for each in sent] == ["1", "2", "3", "4"]


def test_other_content_with_the_same_key_is_refused(ada):
    send(ada, {"name": "Example", "note": "x"})
    assert send(ada, {"note": "x", "name": "Example"}) == "1"
    with pytest.raises(KeyReused):
        send(ada, {"name": "Example", "note": "y"})
    assert Maker.objects.count() == 1


def test_files_are_compared_by_their_content(ada):
    file = io.BytesIO(b"G1 X1")
    send(ada, {"name": "Example", "file": file})
    assert file.read() == b"G1 X1"
    assert send(ada, {"name": "Example", "file": io.BytesIO(b"G1 X1")}) == "1"
    with pytest.raises(KeyReused):
        send(ada, {"name": "Example", "file": io.BytesIO(b"G1 X2")})


def test_after_a_refusal_the_key_may_be_used_again(ada):
    def fail() -> str:
        Maker.objects.create(name="half")
        raise ValidationError("no")

    with pytest.raises(ValidationError):
        send(ada, {"name": "Example"}, act=fail)
    assert not Maker.objects.exists()
    assert send(ada, {"name": "Example"}, act=lambda: "refused") == "refused"
    assert send(ada, {"name": "other"}) == "1"


def test_keys_are_forgotten_after_a_week(ada):
    send(ada, {"name": "Example"})
    now = timezone.now()
    assert prune(now + KEPT_FOR - timedelta(minutes=1)) == 0
    assert prune(now + KEPT_FOR + timedelta(minutes=1)) == 1
    assert not SentRequest.objects.exists()


def test_requests_at_the_same_moment_are_carried_out_once(migrated_postgres, tmp_path):
    env = shop_env(tmp_path / "data", migrated_postgres(), DJANGO_SETTINGS_MODULE="config.settings")
    command = [sys.executable, "-m", "tests.spools.sent_at_once"]
    finished = subprocess.run(command, cwd=REPOSITORY, env=env, capture_output=True, text=True, timeout=300)
    assert (finished.returncode, finished.stdout.strip()) == (0, ""), finished.stdout + finished.stderr
