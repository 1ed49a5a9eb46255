"""The web server, on a listening socket that another process opened: python -m background.web FD."""

import signal
import socket
import sys
import warnings
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
    # Without a collected copy the static files come from where they are.
    warnings.filterwarnings("ignore", message="No directory at")
    from config.wsgi import application

    assert get_resolver().url_patterns
    return application


def proxy_options(secure: bool) -> dict[str, Any]:
    """Trust a TLS proxy's word that the client used https; without a proxy nothing is trusted."""
    return {"trusted_proxy": "*", "trusted_proxy_headers": {"x-forwarded-proto"}} if secure else {}


def serve(listener: socket.socket) -> None:
    """Serve the pages until SIGTERM."""
    application = load_application()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    proxy = proxy_options(secure=settings.SECURE_PROXY_SSL_HEADER is not None)
    waitress.serve(application, sockets=[listener], threads=THREADS, ident=None, **proxy)


if __name__ == "__main__":
    serve(socket.socket(fileno=int(sys.argv[1])))
