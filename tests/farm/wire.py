"""The network between hosts and shop, on which requests are cut and answers get lost."""

import socket
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from random import Random
from socketserver import StreamRequestHandler, ThreadingTCPServer

# So many requests reach the shop at once, as through a proxy; the others wait.
AT_ONCE = 4
# In how many of a hundred requests: half of it arrives; all of it arrives, and its answer does not.
CUT, LOST = 3, 6


@dataclass
class Wire:
    """upstream: the host and port of the shop. faults: whether it has any. counts: of what became of requests."""

    upstream: Callable[[], tuple[str, int]]
    random: Random
    faults: bool = True
    port: int = 0
    counts: Counter = field(default_factory=Counter)
    lock: threading.Lock = field(default_factory=threading.Lock)
    gate: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(AT_ONCE))

    @classmethod
    @contextmanager
    def running(cls, upstream: Callable[[], tuple[str, int]], seed: int) -> Iterator["Wire"]:
        wire = cls(upstream, Random(seed))

        class Handler(StreamRequestHandler):
            timeout = 120

            def handle(self) -> None:
                with suppress(OSError):
                    wire.carry(self)

        class Server(ThreadingTCPServer):
            daemon_threads = True
            request_queue_size = 128

        with Server(("127.0.0.1", 0), Handler) as server:
            wire.port = server.server_address[1]
            thread = threading.Thread(
                target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True
            )
            thread.start()
            try:
                yield wire
            finally:
                server.shutdown()
                thread.join()

    def carry(self, client: StreamRequestHandler) -> None:
        """One request, whole or in part, and its answer, if it does not get lost."""
        head, length = b"", 0
        while (line := client.rfile.readline(65536)) not in (b"\r\n", b""):
            head += line
            if line.lower().startswith(b"content-length:"):
                length = int(line.split(b":")[1])
        request = head + b"\r\n" + client.rfile.read(length)
        fate = self._choose(posts=head.startswith(b"POST"))
        if fate == "cut":
            request = request[: len(request) // 2]
        gate = self.gate if head.startswith(b"POST") else nullcontext()
        with gate, socket.create_connection(self.upstream(), timeout=60) as shop:
            shop.sendall(request)
            if fate == "cut":
                return
            answer = b""
            while part := shop.recv(65536):
                answer += part
        if fate != "lost":
            client.wfile.write(answer)

    def _choose(self, posts: bool) -> str:
        with self.lock:
            way = self.random.uniform(0, 100) if posts and self.faults else 100.0
            fate = "cut" if way < CUT else "lost" if way < CUT + LOST else "carried"
            self.counts[f"{fate} requests" if posts else "looks at the clock"] += 1
        return fate
