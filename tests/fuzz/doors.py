"""Requests whose bytes lie in places that no schema describes: addresses, queries, headers, cookies, forms.

A shop behind them is that of tests/api. An answer above 499, or an exception, is a defect.
"""

from collections.abc import Callable
from random import Random
from urllib.parse import quote_from_bytes

from django.core import signing
from django.test import Client
from django.urls import reverse
from rest_framework.test import APIClient

from access.invitations import invitation_path, invite
from access.table import addresses
from tests.access.test_matrix import path_of
from tests.api.any_request import use_shop
from tests.api.conftest import Caller, add_account, add_script, build_shop
from tests.fuzz.mutations import INTERESTING
from tests.fuzz.parsers import JOB, LABELS, READINGS, Parser

BOUNDARY = b"--AaB03x"
NAMES = b"page q code from loading stage printer toolhead kind user action job slot dryer size feedstock sort empty since".split()
NUMBERS = b"0 1 2 -1 999999999999999999999 1e9 nan 1.5 null true 2026-01-31T08:00 2026-13-01 9999-12-31T23:59".split()


def doors() -> list[Parser]:
    """Builds the shop in the present database."""
    account = add_account()
    key = add_script(account)
    api = Caller(APIClient(HTTP_AUTHORIZATION=f"Token {key}"))
    use_shop(api, build_shop(api))
    browser, script = Client(), Client(HTTP_AUTHORIZATION=f"Token {key}")
    browser.force_login(account)
    paths = [path_of(found.pattern).encode() for found in addresses() if not found.name.startswith("admin:")]
    numbered = [path.replace(b"/0/", b"/1/") for path in paths]
    session = browser.cookies["sessionid"].value
    cookies = [
        f"sessionid={session}; csrftoken={'a' * 32}".encode(),
        f'messages="{signing.dumps([["x"]])}"'.encode(),
    ]
    links = [invitation_path(invite(account, "view")).encode()]
    links += [
        reverse("channel-confirm", args=["a:b:c"]).encode(),
        b"/sign-in/forgotten/MQ/abc-0123456789abcdef/",
    ]
    links += [b"/calendar/0123456789abcdef0123456789abcdef.ics"]
    files = [multipart(b"job.gcode", JOB), multipart(b"readings.csv", READINGS)]

    def ask(client: Client) -> Callable[[bytes], str]:
        return lambda data: answer(client, "GET", data)

    def send_file(data: bytes) -> str:
        path = b"/api/v1/places/1/readings/csv/" if len(data) % 2 else b"/api/v1/job-files/"
        kind = f"multipart/form-data; boundary={BOUNDARY[2:].decode()}"
        return answer(script, "POST", path, data=data, content_type=kind)

    def send_cookies(data: bytes) -> str:
        return answer(Client(HTTP_COOKIE=data.decode("latin-1")), "GET", b"/spools/scan/")

    def send_key(data: bytes) -> str:
        return answer(Client(HTTP_AUTHORIZATION=data.decode("latin-1")), "GET", b"/api/v1/makers/")

    def draw_file(draw: Random) -> bytes:
        return multipart(draw.choice(INTERESTING), draw.choice((JOB, READINGS)))

    def scan(data: bytes) -> str:
        return answer(browser, "GET", b"/s/" + data)

    kinds: list[tuple[str, list[bytes], Callable[[Random], bytes], Callable[[bytes], str]]] = [
        ("page", numbered, lambda draw: ask_of(draw, numbered), ask(browser)),
        ("link", links, lambda draw: draw.choice(links)[: -draw.randrange(1, 9)], ask(Client())),
        ("scan", LABELS, lambda draw: draw.choice(LABELS), scan),
        ("multipart", files, draw_file, send_file),
        ("cookie", cookies, lambda draw: b"; ".join(draw.sample(cookies, 2)), send_cookies),
        ("key", [f"Token {key}".encode()], lambda draw: b"Token " + draw.choice(INTERESTING), send_key),
    ]
    return [Parser(f"door: {name}", *parts, cheap=False) for name, *parts in kinds]


def ask_of(draw: Random, paths: list[bytes]) -> bytes:
    """An address with words of a query."""
    words = [
        draw.choice(NAMES) + b"=" + draw.choice([*NUMBERS, *LABELS, *INTERESTING])
        for _ in range(draw.randrange(4))
    ]
    return draw.choice(paths) + b"?" + b"&".join(words)


def multipart(name: bytes, content: bytes) -> bytes:
    head = (
        b'Content-Disposition: form-data; name="file"; filename="' + name + b'"\r\nContent-Type: text/plain'
    )
    return BOUNDARY + b"\r\n" + head + b"\r\n\r\n" + content + b"\r\n" + BOUNDARY + b"--\r\n"


def answer(client: Client, method: str, address: bytes, **content: object) -> str:
    """The status of the answer. address: with its query, as bytes on the wire."""
    path, _, query = address.partition(b"?")
    found = client.generic(
        method, "/" + quote_from_bytes(path.lstrip(b"/")), QUERY_STRING=query.decode("latin-1"), **content
    )
    # No workers run, which /readyz says.
    assert found.status_code < 500 or path == b"/readyz", found.status_code
    return str(found.status_code)
