"""The web server, on a listening socket that another process opened: python -m background.web FD."""

import logging
import signal
import socket
import sys
from copy import copy
from functools import cache
from typing import Any

from django.conf import settings
from django.core.handlers.wsgi import WSGIHandler
from django.db import connections
from django.urls import get_resolver
from django.utils.module_loading import import_string
from waitress.adjustments import Adjustments
from waitress.parser import HTTPRequestParser
from waitress.task import ThreadedTaskDispatcher
from waitress.utilities import Error

from background.addresses import group_address
from background.connections import MOST_CONNECTIONS, FairServer, PacedChannel

logger = logging.getLogger(__name__)

THREADS = 6
MOST_HEAD_BYTES = 32 * 2**10


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


class LengthRequired(Error):
    code = 411
    reason = "Length Required"


class Parser(HTTPRequestParser):
    """Decides by the head of a request whether its body may come; the server would store it before anybody looks.

    A refused one gets its answer from the application, as if it had no body, and the connection ends. One in chunks is
    refused here: its length is unknown, taking it apart costs the thread of all connections seconds, and a proxy
    may read another length.
    """

    content_length: int
    adj: Any

    def parse_header(self, header_plus: bytes) -> None:
        super().parse_header(header_plus)
        # The header is left over where the version of HTTP has no chunks.
        if self.chunked or "TRANSFER_ENCODING" in self.headers:
            self.error = LengthRequired("Send the request with a Content-Length, not in chunks.")
            self.body_rcv, self.content_length, self.expect_continue = None, 0, False
            return
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


class Channel(PacedChannel):
    parser_class = Parser


class Server(FairServer):
    channel_class = Channel


def create_server(
    application: WSGIHandler, listener: socket.socket, threads: int = THREADS, **options: Any
) -> Server:
    """A server whose requests are bounded in length and time, and whose connections are shared fairly."""
    adjustments = Adjustments(
        ident=None,
        max_request_header_size=MOST_HEAD_BYTES,
        max_request_body_size=settings.MOST_BODY_BYTES + 1,
        # In memory for each connection; what is longer goes into a temporary file.
        inbuf_overflow=2**16,
        # The server makes room before it is reached.
        connection_limit=MOST_CONNECTIONS + 100,
        # select() takes no more than 1024 files.
        asyncore_use_poll=True,
        # Late connections are looked for each second.
        cleanup_interval=1,
        **options,
    )
    dispatcher = ThreadedTaskDispatcher()
    dispatcher.set_thread_count(threads)
    address = (listener.family, listener.type, listener.proto, listener.getsockname())
    server = Server(
        application, None, True, listener, dispatcher, adjustments, sockinfo=address, bind_socket=False
    )
    server.proxy = group_address(settings.TRUSTED_PROXY)
    return server


def serve(listener: socket.socket) -> None:
    """Serve the pages until SIGTERM."""
    application = load_application()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    proxy = proxy_options(settings.SECURE_PROXY_SSL_HEADER is not None, settings.TRUSTED_PROXY)
    create_server(application, listener, **proxy).run()


if __name__ == "__main__":
    serve(socket.socket(fileno=int(sys.argv[1])))
