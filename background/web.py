"""Serve the pages on a listening socket that the supervisor opened: python -m background.web FD."""

import signal
import socket
import sys
import warnings

import waitress

THREADS = 6


def main() -> None:
    # Without a collected copy the static files come from where they are.
    warnings.filterwarnings("ignore", message="No directory at")
    from config.wsgi import application

    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    waitress.serve(application, sockets=[socket.socket(fileno=int(sys.argv[1]))], threads=THREADS, ident=None)


if __name__ == "__main__":
    main()
