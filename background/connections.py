"""Connections of slow clients: what has begun must go on, and when there are too many, the slowest one ends.

One thread of the web server reads all requests and sends all answers, so a slow client takes a place among the
connections and no thread. Places are limited: for each address, so that nobody holds many, and in all.
"""

import socket
import time
from collections import Counter
from contextlib import suppress
from typing import Any

from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer

from background.addresses import group_address

# A request or an answer that has begun may pause for so long, and must move at this pace on average.
PAUSE_S = 30.0
LEAST_BYTES_PER_S = 4096
# In each process. Most browsers hold six connections to an address.
MOST_CONNECTIONS = 400
MOST_OF_AN_ADDRESS = 40
TOO_SLOW = b"The request came too slowly. Send it again.\n"
TIMEOUT_ANSWER = (
    b"HTTP/1.1 408 Request Timeout\r\nConnection: close\r\nContent-Type: text/plain\r\n"
    b"Content-Length: %d\r\n\r\n%s" % (len(TOO_SLOW), TOO_SLOW)
)


class PacedChannel(HTTPChannel):
    """A connection that ends when it does not go on in time."""

    def __init__(self, server: Any, sock: socket.socket, addr: Any, adj: Any, map: Any = None) -> None:
        self.group = group_address(addr[0])
        self._restart()
        super().__init__(server, sock, addr, adj, map=map)

    def _restart(self) -> None:
        self.due = time.monotonic() + PAUSE_S

    def _move(self, count: int) -> None:
        """A client that was quick earns no long pause by it."""
        self.due = min(self.due + count / LEAST_BYTES_PER_S, time.monotonic() + PAUSE_S)

    def received(self, data: bytes) -> bool:
        if self.request is None:
            self._restart()
        self._move(len(data))
        return bool(super().received(data))

    def write_soon(self, data: Any) -> int:
        # The client has read all that came before.
        if not self.total_outbufs_len:
            self._restart()
        return int(super().write_soon(data))

    def send(self, data: bytes, do_close: bool = True) -> int:
        sent = int(super().send(data, do_close))
        self._move(sent)
        return sent

    def is_late(self) -> bool:
        """Whether the client has begun a request or has an answer to read, and takes too long."""
        if self.will_close or time.monotonic() < self.due:
            return False
        return self.total_outbufs_len > 0 or (self.request is not None and not self.requests)

    def end(self) -> None:
        """The next look at the connections closes it: one that is shut is always ready, even if nobody reads."""
        self.will_close = True
        with suppress(OSError):
            if self.request is not None and not self.total_outbufs_len:
                self.socket.send(TIMEOUT_ANSWER)
            self.socket.shutdown(socket.SHUT_RDWR)


class FairServer(TcpWSGIServer):
    """Makes room for a new connection by ending the one that lags most; at last one whose request is at work."""

    channel_class: type[PacedChannel] = PacedChannel
    active_channels: dict[int, PacedChannel]
    # The proxy through which all come, if one is named.
    proxy = ""

    def handle_accept(self) -> None:
        super().handle_accept()
        channels = [channel for channel in self.active_channels.values() if not channel.will_close]
        if not channels:
            return
        counts = Counter(channel.group for channel in channels)
        newest = channels[-1].group
        if newest != self.proxy and counts[newest] > MOST_OF_AN_ADDRESS:
            crowd = newest
        elif len(channels) > MOST_CONNECTIONS:
            crowd = counts.most_common(1)[0][0]
        else:
            return
        held = (channel for channel in channels if channel.group == crowd)
        min(held, key=lambda channel: (bool(channel.requests), channel.due)).end()

    def maintenance(self, now: float) -> None:
        super().maintenance(now)
        for channel in self.active_channels.values():
            if channel.is_late():
                channel.end()
