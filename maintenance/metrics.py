"""The numbers that a monitoring program collects, read from the database when it asks.

Names and units follow the conventions of Prometheus: base units (seconds, bytes) at the end of the name,
labels for what differs, times as seconds since 1970.
"""

from collections.abc import Iterable
from datetime import datetime

from django.utils import timezone
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from background import host, queries
from maintenance.reminders.conditions.sensors import late_sensors
from maintenance.reminders.delivery import stats


def render_metrics() -> bytes:
    """All metrics in the text format; from a registry of its own, so that nothing else slips in."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Shop(timezone.now()))
    return generate_latest(registry)


class _Shop(Collector):
    def __init__(self, now: datetime) -> None:
        self.now = now

    def collect(self) -> Iterable[Metric]:
        yield _gauge(
            "build_info", "Always 1; the version is in the label.", 1, version=host.project_version()
        )
        yield from self._work()
        yield from self._reminders()
        disk = host.measure_disk()
        yield _gauge("disk_free_bytes", "Free on the disk of the data folder.", disk.free_bytes)
        yield _gauge("database_size_bytes", "The size of the database on its disk.", host.database_bytes())

    def _work(self) -> Iterable[Metric]:
        items = _family("queue_items", "Background work by queue and state.", "queue", "state")
        oldest = _family("queue_oldest_due_seconds", "How long the oldest due work has waited.", "queue")
        for queue in queries.queue_states(self.now):
            for state, count in (
                ("waiting", queue.waiting),
                ("running", queue.running),
                ("failed", queue.failed),
            ):
                items.add_metric([queue.name, state], count)
            oldest.add_metric([queue.name], _age_s(queue.waits_since, self.now))
        success = _family("work_last_success_timestamp_seconds", "When the work was last done.", "name")
        for name, finished in sorted(queries.last_successes().items()):
            success.add_metric([name], finished.timestamp())
        duration = _family("work_last_duration_seconds", "How long the newest run took.", "name")
        for run in queries.last_runs():
            if run.duration_s is not None:
                duration.add_metric([run.name], run.duration_s)
        yield from (items, oldest, success, duration)

    def _reminders(self) -> Iterable[Metric]:
        reminders = _family("reminders_open", "Reminders that have not ended, snoozed or not.", "kind")
        for kind, count in stats.open_by_kind().items():
            reminders.add_metric([kind], count)
        outbox = stats.outbox(self.now)
        messages = _family("messages", "Messages by state.", "state")
        for state, count in outbox.by_state.items():
            messages.add_metric([state], count)
        yield from (reminders, messages)
        waits_s = _age_s(outbox.waits_since, self.now)
        yield _gauge("oldest_unsent_message_seconds", "How long the oldest due message has waited.", waits_s)
        silent = len(late_sensors(self.now))
        yield _gauge("sensors_silent", "Places whose sensor no longer sends readings.", silent)


def _family(name: str, description: str, *labels: str) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"loadworthy_{name}", description, labels=labels)


def _gauge(name: str, description: str, value: float, **labels: str) -> GaugeMetricFamily:
    family = _family(name, description, *labels)
    family.add_metric(list(labels.values()), value)
    return family


def _age_s(since: datetime | None, now: datetime) -> float:
    return 0.0 if since is None else max((now - since).total_seconds(), 0.0)
