"""One connection to the broker. A thread of the library does the network; messages wait here until they are stored."""

import socket
import ssl
import time
from collections.abc import Iterable, Sequence
from datetime import datetime
from queue import Empty, SimpleQueue
from threading import Event
from typing import Any, NamedTuple

import paho.mqtt.client as paho
from django.utils import timezone
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from config.mqtt import Broker
from spools.models import BrokerState

Problem = BrokerState.Problem
ANSWER_WITHIN_S = 15.0
KEEPALIVE_S = 30
# Unacknowledged messages at once in MQTT 5; in 3.1.1 the broker decides (Mosquitto: 20).
WINDOW = 200
# Messages without acknowledgement come however full it is; more than these are dropped.
MOST_WAITING = 20_000
# A batch ends after a second, or as soon as nothing more comes for a moment.
BATCH_S, QUIET_S, MOST_IN_BATCH = 1.0, 0.2, 1000
NEVER = 2**32 - 1  # seconds until a session of MQTT 5 expires
QOS = 1


class CannotConnect(Exception):
    """The problem as a code, and the words of the library."""

    def __init__(self, problem: Problem, detail: str = "") -> None:
        super().__init__(problem, detail)
        self.problem, self.detail = problem, detail


class Arrived(NamedTuple):
    """A message as it came."""

    topic: str
    payload: bytes
    at: datetime
    mid: int
    qos: int
    is_retained: bool
    is_repeated: bool


class Connection:
    """A connection, from open() until is_alive is false; the next one is a new object.

    An acknowledgement thus never reaches a later session, in which its number may be that of another message.
    """

    def __init__(self, broker: Broker, version: str) -> None:
        self.broker, self.version = broker, version
        is_5 = version == "5"
        self.client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            protocol=MQTTProtocolVersion.MQTTv5 if is_5 else MQTTProtocolVersion.MQTTv311,
            clean_session=None if is_5 else False,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        self.session_present = False
        self.problem: CannotConnect | None = None
        self.filters: set[str] = set()
        self._inbox: SimpleQueue[Arrived] = SimpleQueue()
        self._answered, self._ended = Event(), Event()
        self._asked: dict[int | None, str] = {}
        self.client.on_connect = self._on_connect
        self.client.on_disconnect = self._on_disconnect
        self.client.on_message = self._on_message
        self.client.on_subscribe = self._on_subscribe

    @property
    def is_alive(self) -> bool:
        return not self._ended.is_set()

    def open(self) -> None:
        """Connect and wait for the broker's answer; CannotConnect with the reason."""
        broker = self.broker
        if broker.user:
            self.client.username_pw_set(broker.user, broker.password or None)
        self.client.connect_timeout = ANSWER_WITHIN_S
        options: dict[str, Any] = {}
        if self.version == "5":
            properties = Properties(PacketTypes.CONNECT)
            properties.SessionExpiryInterval = NEVER
            properties.ReceiveMaximum = WINDOW
            options = {"clean_start": False, "properties": properties}
        try:
            if broker.tls:
                # The host name is verified, too.
                self.client.tls_set_context(ssl.create_default_context(cafile=broker.ca_file))
            self.client.connect(broker.host, broker.port, KEEPALIVE_S, **options)
        except socket.gaierror as error:
            raise CannotConnect(Problem.UNKNOWN_HOST, str(error)) from error
        except ssl.SSLCertVerificationError as error:
            raise CannotConnect(Problem.CERTIFICATE, error.verify_message) from error
        except ssl.SSLError as error:
            raise CannotConnect(Problem.TLS, str(error)) from error
        except (OSError, ValueError) as error:
            raise CannotConnect(Problem.UNREACHABLE, str(error)) from error
        self.client.loop_start()
        self._answered.wait(ANSWER_WITHIN_S)
        if not self._answered.is_set() or self.problem or not self.is_alive:
            problem = self.problem or CannotConnect(Problem.UNREACHABLE, "no answer")
            self.close()
            raise problem

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def subscribe(self, wanted: set[str], stored: Iterable[str] = ()) -> None:
        """Subscribe to these topics and to no others. stored: those that the broker may still have of an earlier run."""
        for topic in sorted((self.filters | set(stored)) - wanted):
            self.client.unsubscribe(topic)
        for topic in sorted(wanted - self.filters):
            _code, mid = self.client.subscribe(topic, QOS)
            self._asked[mid] = topic
        self.filters = wanted

    def take_batch(self, within_s: float) -> list[Arrived]:
        """Messages that came within a second of the first, fewer where no more come; empty where none comes in time."""
        batch: list[Arrived] = []
        deadline = time.monotonic() + within_s
        wait_s = within_s
        while len(batch) < MOST_IN_BATCH and wait_s > 0:
            try:
                batch.append(self._inbox.get(timeout=wait_s))
            except Empty:
                break
            if len(batch) == 1:
                deadline = time.monotonic() + BATCH_S
            wait_s = min(QUIET_S, deadline - time.monotonic())
        return batch

    def acknowledge(self, batch: Sequence[Arrived]) -> None:
        """The broker need not send them again. Of no effect after the connection has ended."""
        for message in batch:
            if message.qos:
                self.client.ack(message.mid, message.qos)

    def _on_connect(self, _client: Any, _data: Any, flags: Any, reason: ReasonCode, _properties: Any) -> None:
        self.session_present = flags.session_present
        if reason.is_failure:
            self.problem = CannotConnect(_refusal(reason.getName()), reason.getName())
        self._answered.set()

    def _on_disconnect(
        self, _client: Any, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        name = reason.getName()
        problem = Problem.TAKEN_OVER if name == "Session taken over" else Problem.LOST
        if not self._answered.is_set() and self.version == "5":
            # Brokers that know no MQTT 5 may end the connection instead of refusing it.
            problem = Problem.VERSION
        self.problem = self.problem or CannotConnect(problem, name)
        self._ended.set()
        self._answered.set()

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        if not message.qos and self._inbox.qsize() >= MOST_WAITING:
            return
        topic = message._topic.decode(errors="replace")
        self._inbox.put(
            Arrived(
                topic,
                bytes(message.payload),
                timezone.now(),
                message.mid,
                message.qos,
                message.retain,
                message.dup,
            )
        )

    def _on_subscribe(
        self, _client: Any, _data: Any, mid: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        topic = self._asked.pop(mid, "")
        if any(reason.is_failure for reason in reasons):
            self.problem = CannotConnect(Problem.NOT_SUBSCRIBED, topic)


def _refusal(name: str) -> Problem:
    if name == "Unsupported protocol version":
        return Problem.VERSION
    if name in ("Bad user name or password", "Not authorized"):
        return Problem.CREDENTIALS
    return Problem.UNREACHABLE
