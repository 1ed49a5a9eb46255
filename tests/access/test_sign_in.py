"""Passwords cannot be guessed at the door, and guessing does not hold up the shop."""

import http.client
import socket
import threading
from contextlib import closing
from datetime import timedelta
from urllib.parse import urlencode

import pytest
import time_machine
import waitress
from django.contrib.auth import get_user_model
from django.contrib.auth.hashers import PBKDF2PasswordHasher
from django.core.handlers.wsgi import WSGIHandler
from django.test import Client
from django.utils import timezone

from access.hashers import AT_ONCE
from access.models import SignInTries
from access.sign_in import ACCOUNT, ADDRESS
from background.web import THREADS

FORM, CSRF = "application/x-www-form-urlencoded", "x" * 32
NAME, PASSWORD = "ada", "filament-and-dry-air"


@pytest.fixture
def ada(db):
    return get_user_model().objects.create_user(NAME, password=PASSWORD)


def sign_in(password: str, name: str = NAME, address: str = "192.0.2.1"):
    return Client(REMOTE_ADDR=address).post("/sign-in/", {"username": name, "password": password})


def get_token(password: str, address: str = "192.0.2.1"):
    body = {"username": NAME, "password": password, "name": "x", "scope": "read"}
    return Client(REMOTE_ADDR=address).post("/api/v1/token", body, "application/json")


def test_one_counter_of_an_account_for_pages_and_tokens(ada):
    for number in range(ACCOUNT.free):
        door = sign_in if number % 2 else get_token
        assert door("wrong", address=f"198.51.100.{number}").status_code in (200, 400)
    for door in (sign_in, get_token):
        refused = door(PASSWORD, address="198.51.100.99")
        assert refused.status_code == 429 and int(refused.headers["Retry-After"]) > 0
    with time_machine.travel(timezone.now() + timedelta(seconds=5)):
        assert sign_in(PASSWORD).status_code == 302
    assert not SignInTries.objects.filter(key__startswith="account").exists()


def test_the_delay_grows_and_has_a_limit():
    delays = [ACCOUNT.delay(failures).total_seconds() for failures in range(60)]
    assert delays[:5] == [0] * 5 and delays[5:8] == [2, 4, 8]
    assert delays == sorted(delays) and delays[-1] == ACCOUNT.longest_s


def test_one_counter_of_an_address_for_all_names(ada):
    answers = [sign_in("wrong", name=f"guess{number}").status_code for number in range(ADDRESS.free + 1)]
    assert answers == [200] * ADDRESS.free + [429]
    assert sign_in(PASSWORD).status_code == 429
    assert sign_in(PASSWORD, address="192.0.2.2").status_code == 302


@pytest.mark.parametrize(
    ("first", "second", "same"),
    [
        ("2001:db8::1", "2001:db8::ffff:2", True),
        ("2001:db8::1", "2001:db8:1::1", False),
        ("192.0.2.1", "::ffff:192.0.2.1", False),
    ],
)
def test_a_network_of_one_client_counts_as_an_address(ada, first, second, same):
    sign_in("wrong", address=first)
    sign_in("wrong", name="other", address=second)
    assert SignInTries.objects.filter(key__startswith="address").count() == (1 if same else 2)


def test_the_right_password_takes_its_own_try_back_and_no_other(ada):
    for _ in range(3):
        sign_in("wrong", name="other")
    sign_in(PASSWORD)
    assert SignInTries.objects.get(key="address 192.0.2.1").failures == 3


def test_tries_are_logged_without_what_was_typed(ada, caplog):
    sign_in("a-secret", name="another-secret")
    assert any(record.name == "access.sign_in" for record in caplog.records)
    assert "secret" not in caplog.text


@pytest.mark.django_db(transaction=True)
def test_many_sign_ins_at_once_do_not_hold_up_the_shop(monkeypatch, settings):
    """While the passwords that are hashed take their time, others are refused and the health page answers."""
    get_user_model().objects.create_user(NAME, password=PASSWORD)
    settings.PASSWORD_HASHERS = ["access.hashers.GatedHasher"]
    settings.ALLOWED_HOSTS = ["127.0.0.1"]
    hashing, go_on = threading.Semaphore(0), threading.Event()

    def slow(self, password, salt, iterations=None):
        hashing.release()
        go_on.wait(60)
        return "pbkdf2_sha256$1$a$b"

    monkeypatch.setattr(PBKDF2PasswordHasher, "encode", slow)
    listener = socket.create_server(("127.0.0.1", 0))
    server = waitress.create_server(WSGIHandler(), sockets=[listener], threads=THREADS)
    threading.Thread(target=server.run, daemon=True).start()
    statuses: list[int] = []

    def ask(method: str, path: str, body: str = "") -> int:
        with closing(
            http.client.HTTPConnection("127.0.0.1", listener.getsockname()[1], timeout=60)
        ) as client:
            client.request(method, path, body, {"Content-Type": FORM, "Cookie": f"csrftoken={CSRF}"})
            return client.getresponse().status

    def guess(number: int) -> None:
        form = urlencode({"username": f"guess{number}", "password": "wrong", "csrfmiddlewaretoken": CSRF})
        statuses.append(ask("POST", "/sign-in/", form))

    held = [threading.Thread(target=guess, args=[number]) for number in range(AT_ONCE)]
    for thread in held:
        thread.start()
    for _ in held:
        assert hashing.acquire(timeout=60), statuses
    try:
        others = [threading.Thread(target=guess, args=[number]) for number in range(AT_ONCE, 2 * THREADS)]
        for thread in others:
            thread.start()
        for thread in others:
            thread.join(60)
        assert statuses == [503] * len(others)
        assert ask("GET", "/healthz") == 200
    finally:
        go_on.set()
        for thread in held:
            thread.join(60)
        server.close()
        server.task_dispatcher.shutdown()
    assert sorted(statuses)[:AT_ONCE] == [200] * AT_ONCE
