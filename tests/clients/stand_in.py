"""A stand-in for the shop with the faults that a real one has now and then: the farm runs the client against the real one."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.utils import formatdate
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from time import time
from typing import Any


@dataclass
class StandIn:
    """moods: for the next requests with a body, in their order: a status, "well", or "lost" when no answer arrives.

    clock_off_s: of its clock. events: as they came, by their ids. refuses: kinds of event that it refuses.
    """

    url: str = ""
    moods: list[int | str] = field(default_factory=list)
    clock_off_s: float = 0.0
    events: dict[str, dict[str, Any]] = field(default_factory=dict)
    refuses: set[str] = field(default_factory=set)
    requests: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)

    @classmethod
    @contextmanager
    def running(cls) -> Iterator["StandIn"]:
        shop = cls()

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                shop.answer(self, 200, {})

            def do_POST(self) -> None:
                shop.take(self)

            def date_time_string(self, timestamp: float | None = None) -> str:
                return formatdate(time() + shop.clock_off_s, usegmt=True)

            def log_message(self, *_: object) -> None:
                pass

        server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        shop.url = f"http://127.0.0.1:{server.server_address[1]}"
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        thread.start()
        try:
            yield shop
        finally:
            server.shutdown()
            server.server_close()
            thread.join()

    def take(self, request: BaseHTTPRequestHandler) -> None:
        body = request.rfile.read(int(request.headers["content-length"]))
        self.requests.append((request.path, dict(request.headers), body))
        mood = self.moods.pop(0) if self.moods else "well"
        if isinstance(mood, int):
            self.answer(request, mood, {"errors": [{"field": "", "code": "no", "message": "Not now."}]})
        else:
            upload = request.path == "/api/v1/job-files"
            answer = {"id": 1} if upload else {"results": [self.record(one) for one in json.loads(body)]}
            if mood == "lost":
                request.close_connection = True
            else:
                self.answer(request, 201 if upload else 200, answer)

    def record(self, event: dict[str, Any]) -> dict[str, Any]:
        if event["kind"] in self.refuses:
            errors = [{"field": "printer", "code": "unknown_printer", "message": "There is no such printer."}]
            return {"id": event["id"], "result": "refused", "errors": errors}
        known = event["id"] in self.events
        self.events.setdefault(event["id"], event)
        return {"id": event["id"], "result": "known" if known else "recorded", "errors": []}

    def answer(self, request: BaseHTTPRequestHandler, status: int, content: Any) -> None:
        body = json.dumps(content).encode()
        request.send_response(status)
        if 300 <= status < 400:
            request.send_header("Location", "https://elsewhere.example/")
        request.send_header("Content-Length", str(len(body)))
        request.end_headers()
        request.wfile.write(body)

    @property
    def kinds(self) -> list[str]:
        return [event["kind"] for event in self.events.values()]
