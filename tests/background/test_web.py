"""The web server behind a TLS proxy, asked through a real socket."""

import http.client
import socket
import threading
from contextlib import closing

import pytest
import waitress

from background.web import create_server, proxy_options


def told_scheme(environ, start_response):
    start_response("200 OK", [])
    return [environ["wsgi.url_scheme"].encode() + environ.get("HTTP_X_FORWARDED_PROTO", " -").encode()]


@pytest.mark.parametrize(("secure", "told"), [(True, b"httpshttps"), (False, b"http -")])
def test_https_proxy_options_is_believed_where_there_is_one(secure, told):
    listener = socket.create_server(("127.0.0.1", 0))
    server = waitress.create_server(told_scheme, sockets=[listener], threads=1, **proxy_options(secure, ""))
    threading.Thread(target=server.run, daemon=True).start()
    with closing(http.client.HTTPConnection("127.0.0.1", listener.getsockname()[1], timeout=60)) as client:
        client.request("GET", "/", headers={"X-Forwarded-Proto": "https"})
        assert client.getresponse().read() == told
    server.close()


def told_body(environ, start_response):
    start_response("200 OK", [])
    body = environ["wsgi.input"].read()
    return [f"{environ.get('CONTENT_LENGTH')} {len(body)}".encode()]


def never(method, path, headers):
    return False


@pytest.fixture
def short_bodies(settings):
    settings.MOST_BODY_BYTES = 1000
    listener = socket.create_server(("127.0.0.1", 0))
    server = create_server(told_body, sockets=[listener], threads=1)
    threading.Thread(target=server.run, daemon=True).start()

    def send(path: str, *headers: str, body: bytes = b"") -> bytes:
        with closing(socket.create_connection(listener.getsockname(), timeout=20)) as client:
            head = "\r\n".join([f"POST {path} HTTP/1.1", "Host: localhost", *headers, "", ""])
            client.sendall(head.encode() + body)
            client.shutdown(socket.SHUT_WR) if body else None
            answer = b""
            while piece := client.recv(4096):
                answer += piece
        return answer

    yield send
    server.close()


@pytest.mark.parametrize("path", ["/healthz", "/api/v1/job-files", "/jobs/files/", "/nothing/"])
def test_a_long_body_of_a_stranger_is_not_waited_for(short_bodies, path):
    answer = short_bodies(path, "Content-Length: 200000000", "Expect: 100-continue")
    assert answer.startswith(b"HTTP/1.1 200") and answer.endswith(b"200000000 0")
    assert b"connection: close" in answer.lower()


def test_a_body_of_unknown_length_is_bounded_while_it_comes(short_bodies):
    chunks = b"200\r\n" + b"x" * 512 + b"\r\n"
    answer = short_bodies("/healthz", "Transfer-Encoding: chunked", body=chunks * 4 + b"0\r\n\r\n")
    assert answer.startswith(b"HTTP/1.1 413")


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
def test_the_address_of_a_client_comes_from_the_named_proxy_alone(proxy, told):
    listener = socket.create_server(("127.0.0.1", 0))
    server = waitress.create_server(told_address, sockets=[listener], threads=1, **proxy_options(True, proxy))
    threading.Thread(target=server.run, daemon=True).start()
    with closing(http.client.HTTPConnection("127.0.0.1", listener.getsockname()[1], timeout=60)) as client:
        client.request("GET", "/", headers={"X-Forwarded-For": "192.0.2.99, 192.0.2.7"})
        assert client.getresponse().read() == told
    server.close()
