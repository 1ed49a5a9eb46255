"""The web server, on a listening socket that another process opened: python -m background.web FD."""

import signal
import socket
import sys
from functools import cache
from typing import Any

import waitress
from django.conf import settings
from django.core.handlers.wsgi import WSGIHandler
from django.urls import get_resolver

THREADS = 6


@cache
def load_application() -> WSGIHandler:
    """The application with all pages imported. Raises ImproperlyConfigured before there is a secret key."""
    from config.wsgi import application

    assert get_resolver().url_patterns
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


def serve(listener: socket.socket) -> None:
    """Serve the pages until SIGTERM."""
    application = load_application()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    proxy = proxy_options(settings.SECURE_PROXY_SSL_HEADER is not None, settings.TRUSTED_PROXY)
    waitress.serve(application, sockets=[listener], threads=THREADS, ident=None, **proxy)


if __name__ == "__main__":
    serve(socket.socket(fileno=int(sys.argv[1])))
