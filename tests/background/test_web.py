"""The web server behind a TLS proxy, asked through a real socket."""

import http.client
import socket
import threading
from contextlib import closing

import pytest
import waitress

from background.web import proxy_options


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
