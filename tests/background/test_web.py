"""The web server, asked through real sockets: behind a TLS proxy, with long, ambiguous and slow requests."""

import http.client
import socket
import threading
from contextlib import ExitStack, closing

import pytest

from background import connections
from background.web import MOST_HEAD_BYTES, create_server, proxy_options


def told_scheme(environ, start_response):
    start_response("200 OK", [])
    return [environ["wsgi.url_scheme"].encode() + environ.get("HTTP_X_FORWARDED_PROTO", " -").encode()]


@pytest.fixture
def serve():
    """Starts a server and returns its address."""
    servers = []

    def start(application, **options) -> tuple[str, int]:
        listener = socket.create_server(("127.0.0.1", 0))
        server = create_server(application, listener, threads=1, **options)
        threading.Thread(target=server.run, daemon=True).start()
        servers.append(server)
        return listener.getsockname()

    yield start
    for server in servers:
        server.close()


def ask(address: tuple[str, int], **headers: str) -> bytes:
    with closing(http.client.HTTPConnection(*address, timeout=60)) as client:
        client.request("GET", "/", headers=headers)
        return client.getresponse().read()


@pytest.mark.parametrize(("secure", "told"), [(True, b"httpshttps"), (False, b"http -")])
def test_https_proxy_options_is_believed_where_there_is_one(serve, secure, told):
    address = serve(told_scheme, **proxy_options(secure, ""))
    assert ask(address, **{"X-Forwarded-Proto": "https"}) == told


def told_body(environ, start_response):
    start_response("200 OK", [])
    body = environ["wsgi.input"].read()
    return [f"{environ.get('CONTENT_LENGTH')} {len(body)}".encode()]


def never(method, path, headers):
    return False


@pytest.fixture
def short_bodies(settings, serve):
    settings.MOST_BODY_BYTES = 1000
    address = serve(told_body)

    def send(path: str, *headers: str, body: bytes = b"", version: str = "1.1") -> bytes:
        with closing(socket.create_connection(address, timeout=20)) as client:
            head = "\r\n".join([f"POST {path} HTTP/{version}", "Host: localhost", *headers, "", ""])
            client.sendall(head.encode() + body)
            client.shutdown(socket.SHUT_WR) if body else None
            answer = b""
            while piece := client.recv(4096):
                answer += piece
        return answer

    return send


@pytest.mark.parametrize("path", ["/healthz", "/api/v1/job-files", "/jobs/files/", "/nothing/"])
def test_a_long_body_of_a_stranger_is_not_waited_for(short_bodies, path):
    answer = short_bodies(path, "Content-Length: 200000000", "Expect: 100-continue")
    assert answer.startswith(b"HTTP/1.1 200") and answer.endswith(b"200000000 0")
    assert b"connection: close" in answer.lower()


@pytest.mark.parametrize("version", ["1.1", "1.0"])
@pytest.mark.parametrize("length", [["Content-Length: 9"], []])
def test_a_body_in_chunks_is_refused_before_it_comes(short_bodies, version, length):
    headers = [*length, "Transfer-Encoding: chunked", "Expect: 100-continue", "Connection: keep-alive"]
    answer = short_bodies("/healthz", *headers, version=version)
    assert answer.startswith(f"HTTP/{version} 411".encode()) and answer.count(b"HTTP/") == 1


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        (["Content-Length: 1", "Content-Length: 2"], b"400"),
        (["Content-Length: +1"], b"400"),
        (["Transfer-Encoding: xchunked"], b"501"),
        (["Content-Length : 1"], b"400"),
        (["A: b\nContent-Length: 1"], b"400"),
    ],
)
def test_a_head_that_a_proxy_may_read_in_another_way_is_refused(short_bodies, headers, status):
    answer = short_bodies("/healthz", *headers, "Connection: keep-alive")
    assert answer.split()[1] == status and answer.count(b"HTTP/") == 1


def test_a_long_body_comes_where_it_is_awaited(short_bodies, settings):
    settings.BODY_CHECK = f"{__name__}.never"
    answer = short_bodies("/healthz", "Content-Length: 5000", "Connection: close", body=b"x" * 5000)
    assert answer.endswith(b"5000 5000")


def told_address(environ, start_response):
    start_response("200 OK", [])
    return [environ["REMOTE_ADDR"].encode()]


@pytest.mark.parametrize(
    ("proxy", "told"), [("127.0.0.1", b"192.0.2.7"), ("192.0.2.1", b"127.0.0.1"), ("", b"127.0.0.1")]
)
def test_the_address_of_a_client_comes_from_the_named_proxy_alone(serve, proxy, told):
    address = serve(told_address, **proxy_options(True, proxy))
    assert ask(address, **{"X-Forwarded-For": "192.0.2.99, 192.0.2.7"}) == told


MANY = 110
LONG = 400
BEGINNINGS = {
    "nothing": b"",
    "line": b"GET /so",
    "head": b"GET / HTTP/1.1\r\nHost: localhost\r\nA: b",
    "body": b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 900000\r\n\r\nb",
    "answer": b"GET /long HTTP/1.1\r\nHost: localhost\r\n\r\n",
}


def told_long(environ, start_response):
    """40 MB where they are asked for, more than the server stores before it waits for the client."""
    start_response("200 OK", [])
    return (100_000 * b"x" for _ in range(LONG)) if environ["PATH_INFO"] == "/long" else [b"here"]


def connect(address, beginning: bytes = b"", source: str = "127.0.0.1") -> socket.socket:
    client = socket.socket()
    client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    client.settimeout(20)
    client.bind((source, 0))
    client.connect(address)
    client.sendall(beginning)
    return client


def is_open(client: socket.socket) -> bool:
    client.setblocking(False)
    try:
        return bool(client.recv(1000))
    except BlockingIOError:
        return True
    except OSError:
        return False


@pytest.mark.parametrize("kind", [kind for kind in BEGINNINGS if kind != "answer"])
def test_many_connections_that_do_not_go_on_leave_room(serve, kind):
    address = serve(told_long)
    with ExitStack() as held:
        for _ in range(MANY):
            held.enter_context(connect(address, BEGINNINGS[kind]))
        assert ask(address) == b"here"


def test_requests_that_drip_end_with_the_reason(serve, monkeypatch):
    monkeypatch.setattr(connections, "PAUSE_S", 0.2)
    address = serve(told_long)
    with ExitStack() as held:
        dripping = {
            held.enter_context(connect(address, BEGINNINGS[kind])) for kind in ("line", "head", "body")
        }
        for client in dripping:
            client.settimeout(0.02)
        for _ in range(400):
            for client in list(dripping):
                try:
                    assert client.recv(1000).startswith(b"HTTP/1.1 408")
                    dripping.remove(client)
                except TimeoutError:
                    client.sendall(b"x")
    assert not dripping


def test_answers_that_nobody_reads_end_and_free_their_thread(serve, monkeypatch):
    address = serve(told_long)
    monkeypatch.setattr(connections, "PAUSE_S", 0.2)
    with connect(address, BEGINNINGS["answer"]) as client:
        assert client.recv(1)
        assert ask(address) == b"here"
        assert sum(iter(lambda: len(client.recv(2**16)), 0)) < LONG * 100_000


def test_a_head_without_end_is_refused(serve):
    with connect(serve(told_long), BEGINNINGS["head"].ljust(MOST_HEAD_BYTES, b"b")) as client:
        assert client.recv(1000).split()[1] == b"431"


def test_the_connection_that_moves_is_not_ended_for_others(serve):
    address, piece = serve(told_long), 4096 * b"b"
    head = f"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: {MANY * len(piece)}\r\n\r\n"
    with ExitStack() as held:
        upload = held.enter_context(connect(address, head.encode()))
        for n in range(MANY):
            held.enter_context(connect(address))
            upload.sendall(piece)
            if n % 10 == 0:
                # On a busy machine the server would read all pieces long before it takes the last connections.
                assert ask(address) == b"here"
        assert upload.recv(1000).startswith(b"HTTP/1.1 200")


def test_room_for_all_is_made_by_the_address_with_the_most(serve, monkeypatch):
    monkeypatch.setattr(connections, "MOST_CONNECTIONS", 20)
    address = serve(told_long)
    with ExitStack() as held:
        other = held.enter_context(connect(address, source="127.0.0.2"))
        for _ in range(30):
            held.enter_context(connect(address))
        assert ask(address) == b"here"
        assert is_open(other)


@pytest.mark.parametrize(("proxy", "all_open"), [("127.0.0.1", True), ("192.0.2.1", False)])
def test_the_named_proxy_may_hold_more_connections(serve, settings, proxy, all_open):
    settings.TRUSTED_PROXY = proxy
    address = serve(told_long)
    with ExitStack() as held:
        clients = [held.enter_context(connect(address)) for _ in range(connections.MOST_OF_AN_ADDRESS + 5)]
        assert ask(address) == b"here"
        assert all(map(is_open, clients)) == all_open
