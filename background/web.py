"""The web server, on a listening socket that another process opened: python -m background.web FD."""

import logging
import signal
import socket
import sys
from copy import copy
from functools import cache
from typing import Any

import waitress
from django.conf import settings
from django.core.handlers.wsgi import WSGIHandler
from django.db import connections
from django.urls import get_resolver
from django.utils.module_loading import import_string
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import BaseWSGIServer

logger = logging.getLogger(__name__)

THREADS = 6


@cache
def load_application() -> WSGIHandler:
    """The application with all pages imported. Raises ImproperlyConfigured before there is a secret key."""
    from config.wsgi import application

    get_resolver().url_patterns  # noqa: B018  imports all pages
    return application


def proxy_options(secure: bool, proxy: str) -> dict[str, Any]:
    """Trust a TLS proxy's word that the client used https, and the client's address from a proxy that is named.

    proxy: its address; empty: any may say https, and each client has the proxy's address. Without a proxy nothing is
    trusted.
    """
    headers = {"x-forwarded-proto"} if secure else set()
    if proxy:
        headers.add("x-forwarded-for")
    return {"trusted_proxy": proxy or "*", "trusted_proxy_headers": headers} if headers else {}


class Parser(HTTPRequestParser):
    """Decides by the head of a request whether its body may come; the server would store it before anybody looks.

    A refused one gets its answer from the application, as if it had no body, and the connection ends.
    """

    content_length: int
    adj: Any

    def parse_header(self, header_plus: bytes) -> None:
        super().parse_header(header_plus)
        if self.content_length <= settings.MOST_BODY_BYTES:
            return
        try:
            refused = import_string(settings.BODY_CHECK)(self.command, self.path, self.headers)
        except Exception:
            logger.exception("The length of a body could not be judged.")
            refused = True
        finally:
            # This thread answers no requests, which would do it.
            connections.close_all()
        if refused:
            self.content_length, self.body_rcv, self.expect_continue = 0, None, False
            self.headers["CONNECTION"] = "close"
        else:
            self.adj = copy(self.adj)
            self.adj.max_request_body_size = self.content_length + 1


class Channel(HTTPChannel):
    parser_class = Parser


def create_server(application: WSGIHandler, **options: Any) -> BaseWSGIServer:
    """A server whose requests are bounded: by their declared length, else (chunked) while they come."""
    server = waitress.create_server(
        application, ident=None, max_request_body_size=settings.MOST_BODY_BYTES + 1, **options
    )
    server.channel_class = Channel
    return server


def serve(listener: socket.socket) -> None:
    """Serve the pages until SIGTERM."""
    application = load_application()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    proxy = proxy_options(settings.SECURE_PROXY_SSL_HEADER is not None, settings.TRUSTED_PROXY)
    create_server(application, sockets=[listener], threads=THREADS, **proxy).run()


if __name__ == "__main__":
    serve(socket.socket(fileno=int(sys.argv[1])))
