"""Receivers on loopback that fail in every way a real one does, and then come back."""

import asyncio
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP

from tests.services.servers import free_port

SLOW_S = 0.9  # longer than any deadline of the tests


@dataclass(frozen=True)
class Received:
    headers: dict[str, str]
    body: bytes
    path: str

    @property
    def id(self) -> str:
        return self.headers["webhook-id"]


@dataclass
class HttpReceiver:
    """``mood`` says how it answers: a status, or one of hang, drip, close, half."""

    port: int
    mood: int | str = 200
    answer_headers: dict[str, str] = field(default_factory=dict)
    # A status for the one message with that id.
    refuse: dict[str, int] = field(default_factory=dict)
    # What was answered with 2xx, and how many requests came in all.
    received: list[Received] = field(default_factory=list)
    seen: list[Received] = field(default_factory=list)

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/hook"

    @property
    def ids(self) -> list[str]:
        return [one.id for one in self.received]

    @classmethod
    @contextmanager
    def running(cls) -> Iterator["HttpReceiver"]:
        receiver: HttpReceiver

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                receiver.take(self)

            def log_message(self, *_: object) -> None:
                pass

        server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        server.daemon_threads = True
        server.block_on_close = False
        receiver = cls(server.server_address[1])
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
        thread.start()
        try:
            yield receiver
        finally:
            server.shutdown()
            server.server_close()
            thread.join()

    def take(self, request: BaseHTTPRequestHandler) -> None:
        headers = {name.lower(): value for name, value in request.headers.items()}
        body = request.rfile.read(int(headers["content-length"]))
        one = Received(headers, body, request.path)
        self.seen.append(one)
        mood = self.refuse.get(headers.get("webhook-id", ""), self.mood)
        if isinstance(mood, int):
            if 200 <= mood < 300:
                self.received.append(one)
            request.send_response(mood)
            for name, value in {"content-length": "0", **self.answer_headers}.items():
                request.send_header(name, value)
            request.end_headers()
        else:
            request.close_connection = True
            self._misbehave(request, one)

    def _misbehave(self, request: BaseHTTPRequestHandler, one: Received) -> None:
        if self.mood == "hang":
            time.sleep(SLOW_S)
        elif self.mood == "drip":
            try:
                for byte in b"HTTP/1.1 200 OK\r\n":
                    request.wfile.write(bytes([byte]))
                    request.wfile.flush()
                    time.sleep(SLOW_S / 10)
            except OSError:
                pass
        elif self.mood == "half":
            # It has taken it in, but nobody hears of that.
            self.received.append(one)
            request.wfile.write(b"HTTP/1.1 20")
        request.connection.shutdown(socket.SHUT_RDWR)


@dataclass
class MailReceiver:
    """``mood`` says how it answers: "take", an answer of SMTP such as "550 no", "hang" or "close".

    at: the step that it speaks at, RCPT or DATA.
    """

    port: int = 0
    mood: str = "take"
    at: str = "DATA"
    received: list[EmailMessage] = field(default_factory=list)
    recipients: list[list[str]] = field(default_factory=list)
    sessions: int = 0

    @property
    def ids(self) -> list[str]:
        return [mail["Message-ID"].strip("<>").partition("@")[0] for mail in self.received]

    @classmethod
    @contextmanager
    def running(cls) -> Iterator["MailReceiver"]:
        receiver = cls()
        controller = Controller(receiver, hostname="127.0.0.1", port=free_port())
        receiver.port = controller.port
        controller.start()
        try:
            yield receiver
        finally:
            controller.stop()

    async def handle_EHLO(self, server: SMTP, session, envelope, hostname: str, responses: list[str]):
        self.sessions += 1
        session.host_name = hostname
        return responses

    async def handle_RCPT(self, server: SMTP, session, envelope, address: str, options: list[str]) -> str:
        if self.at == "RCPT" and (answer := await self._bad(server)):
            return answer
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session, envelope) -> str:
        if self.at == "DATA" and (answer := await self._bad(server)):
            return answer
        self.received.append(message_from_bytes(envelope.content, policy=policy.default))
        self.recipients.append(envelope.rcpt_tos)
        return "250 taken"

    async def _bad(self, server: SMTP) -> str:
        if self.mood == "take":
            return ""
        if self.mood == "hang":
            await asyncio.sleep(SLOW_S)
            return "451 too late"
        if self.mood == "close":
            server.transport.close()
            return "451 gone"
        return self.mood


@contextmanager
def dripping_server() -> Iterator[int]:
    """The port of a server that says one byte now and then and never comes to an end."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        ended = threading.Event()

        def drip() -> None:
            while not ended.is_set():
                try:
                    client, _ = server.accept()
                    with client:
                        while not ended.wait(SLOW_S / 10):
                            client.sendall(b"2")
                except OSError:
                    continue

        thread = threading.Thread(target=drip, daemon=True)
        thread.start()
        try:
            yield server.getsockname()[1]
        finally:
            ended.set()
            server.shutdown(socket.SHUT_RDWR)
            thread.join()
