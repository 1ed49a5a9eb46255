"""Serve the pages on a listening socket that the supervisor opened: python -m background.web FD."""

import signal
import socket
import sys
import warnings
from typing import Any

import waitress
from django.conf import settings

THREADS = 6


def of_a_proxy(secure: bool) -> dict[str, Any]:
    """What is believed of a TLS proxy before us: that it was asked with https. Without one, nothing."""
    return {"trusted_proxy": "*", "trusted_proxy_headers": {"x-forwarded-proto"}} if secure else {}


def main() -> None:
    # Without a collected copy the static files come from where they are.
    warnings.filterwarnings("ignore", message="No directory at")
    from config.wsgi import application

    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    listener = socket.socket(fileno=int(sys.argv[1]))
    proxy = of_a_proxy(secure=settings.SECURE_PROXY_SSL_HEADER is not None)
    waitress.serve(application, sockets=[listener], threads=THREADS, ident=None, **proxy)


if __name__ == "__main__":
    main()
