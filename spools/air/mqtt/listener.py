"""The listener: connected to the broker for ever, it stores what arrives and acknowledges what is stored."""

import logging
import random
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TypeVar

from django.db import close_old_connections, connection, transaction
from django.utils import timezone

from background.lines import as_line
from config.mqtt import Broker
from spools.air.mqtt.connection import Arrived, CannotConnect, Connection
from spools.air.mqtt.rules import load_rules
from spools.air.mqtt.storing import RETRIED, WAITED_MOST, store_batch
from spools.models import BrokerState

T = TypeVar("T")
logger = logging.getLogger(__name__)
LONGEST_DELAY_S = 60.0
# The rules are read again, and the state is written, at least so often.
UPKEEP_S = 5.0
# Messages that waited at the broker come at once after the connection, in batches larger than this.
LARGE_BATCH, DRAINED_WITHIN = 10, timedelta(minutes=1)
Problem = BrokerState.Problem


def listen(broker: Broker) -> None:
    """Connect again and again, with growing delay while that fails. Returns never."""
    delay_s, version = 1.0, "3.1.1" if broker.version == "3.1.1" else "5"
    while True:
        session = Connection(broker, version)
        try:
            session.open()
        except CannotConnect as error:
            _store_problem(broker, error)
            if broker.version == "auto" and error.problem == Problem.VERSION:
                version = "3.1.1" if version == "5" else "5"
        else:
            delay_s = 1.0
            try:
                Session(session).serve()
            finally:
                session.close()
            if session.problem:
                _store_problem(broker, session.problem)
        time.sleep(delay_s * random.uniform(0.5, 1.0))  # noqa: S311 - listeners that lost one broker come back one by one
        delay_s = min(2 * delay_s, LONGEST_DELAY_S)


class Session:
    """The work on one connection."""

    def __init__(self, connection: Connection) -> None:
        self.connection = connection
        self.connected_at = timezone.now()
        self.rules = load_rules()
        self.upkeep_at = 0.0
        state = retried(self._begin)
        until = state.connected_until or self.connected_at
        self.is_draining = connection.session_present and self.connected_at - until > WAITED_MOST

    def serve(self) -> None:
        """Until the connection ends and its last messages are stored."""
        while True:
            is_alive = self.connection.is_alive
            if time.monotonic() >= self.upkeep_at:
                retried(self._upkeep)
            batch = self.connection.take_batch(1.0 if is_alive else 0.01)
            if batch:
                self._store(batch)
            elif not is_alive:
                return

    def _store(self, batch: list[Arrived]) -> None:
        retried(lambda: store_batch(batch, self.rules, has_waited=self.is_draining))
        self.connection.acknowledge(batch)
        is_recent = timezone.now() < self.connected_at + DRAINED_WITHIN
        self.is_draining = self.is_draining and is_recent and len(batch) >= LARGE_BATCH

    @transaction.atomic
    def _begin(self) -> BrokerState:
        """The state before this connection. A new session of the broker counts its messages from 1 again."""
        state, _is_new = BrokerState.objects.get_or_create(pk=1)
        forgotten: dict[str, list] = {} if self.connection.session_present else {"unconfirmed": []}
        BrokerState.objects.filter(pk=1).update(
            broker=self.connection.broker.address,
            protocol=self.connection.version,
            connected_at=self.connected_at,
            problem="",
            detail="",
            **forgotten,
        )
        self.connection.subscribe({rule.topic.filter for rule in self.rules}, stored=state.filters)
        return state

    def _upkeep(self) -> None:
        """New rules take effect, and pages see that the listener runs."""
        now = timezone.now()
        self.rules = load_rules()
        filters = {rule.topic.filter for rule in self.rules}
        if filters != self.connection.filters:
            self.connection.subscribe(filters)
        problem, is_alive = self.connection.problem, self.connection.is_alive
        BrokerState.objects.filter(pk=1).update(
            seen_at=now,
            filters=sorted(filters),
            **({"connected_until": now} if is_alive else {}),
            **(_problem_values(problem, now) if problem else {"problem": "", "detail": ""}),
        )
        self.upkeep_at = time.monotonic() + UPKEEP_S


def retried(act: Callable[[], T]) -> T:
    """The result of the act, tried again while the database is away or busy."""
    delay_s = 0.5
    while True:
        try:
            close_old_connections()
            return act()
        except RETRIED as error:
            logger.warning(
                "The database refuses what sensors sent; the next try is in %.0f s: %s", delay_s, error
            )
            connection.close()
            time.sleep(delay_s)
            delay_s = min(2 * delay_s, LONGEST_DELAY_S)


def _store_problem(broker: Broker, error: CannotConnect) -> None:
    logger.warning("No connection to %s: %s %s", broker.address, error.problem, error.detail)
    now = timezone.now()
    values = {"broker": broker.address, "seen_at": now, "connected_at": None, **_problem_values(error, now)}
    retried(lambda: BrokerState.objects.update_or_create(pk=1, defaults=values))


def _problem_values(error: CannotConnect, now: datetime) -> dict[str, object]:
    return {"problem": error.problem, "problem_at": now, "detail": as_line(error.detail)[:300]}
