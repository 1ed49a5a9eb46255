"""The connection to the broker as the listener stores it."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from spools.models import BrokerState

# The listener writes every few seconds; while it connects, at least once in a minute.
SEEN_WITHIN = timedelta(minutes=3)


@dataclass(frozen=True)
class BrokerStatus:
    """state: None where no listener ever ran."""

    state: BrokerState | None
    is_running: bool

    @property
    def is_connected(self) -> bool:
        return self.is_running and self.state is not None and self.state.connected_at is not None

    @property
    def is_fine(self) -> bool:
        return self.is_connected and self.state is not None and not self.state.problem


def load_broker_status(now: datetime) -> BrokerStatus:
    state = BrokerState.objects.first()
    is_running = state is not None and state.seen_at is not None and now - state.seen_at < SEEN_WITHIN
    return BrokerStatus(state, is_running)
