"""Metrics of the service: its work, reminders, messages and disk."""

from collections.abc import Iterable
from datetime import datetime

from prometheus_client.core import Metric
from prometheus_client.registry import Collector

from background import host, queries
from maintenance.metrics.families import make_family, make_gauge
from maintenance.reminders.conditions.sensors import late_sensors
from maintenance.reminders.delivery import stats


class ServiceMetrics(Collector):
    def __init__(self, now: datetime) -> None:
        self.now = now

    def collect(self) -> Iterable[Metric]:
        yield make_gauge(
            "build_info", "Always 1; the version is in the label.", 1, version=host.project_version()
        )
        yield from self._work()
        yield from self._reminders()
        disk = host.measure_disk()
        yield make_gauge("disk_free_bytes", "Free on the disk of the data folder.", disk.free_bytes)
        yield make_gauge(
            "database_size_bytes", "The size of the database on its disk.", host.database_bytes()
        )

    def _work(self) -> Iterable[Metric]:
        items = make_family("queue_items", "Background work by queue and state.", "queue", "state")
        oldest = make_family("queue_oldest_due_seconds", "How long the oldest due work has waited.", "queue")
        for queue in queries.queue_states(self.now):
            for state, count in (
                ("waiting", queue.waiting),
                ("running", queue.running),
                ("failed", queue.failed),
            ):
                items.add_metric([queue.name, state], count)
            oldest.add_metric([queue.name], _age_s(queue.waits_since, self.now))
        success = make_family("work_last_success_timestamp_seconds", "When the work was last done.", "name")
        for name, finished in sorted(queries.last_successes().items()):
            success.add_metric([name], finished.timestamp())
        duration = make_family("work_last_duration_seconds", "How long the newest run took.", "name")
        for run in queries.last_runs():
            if run.duration_s is not None:
                duration.add_metric([run.name], run.duration_s)
        yield from (items, oldest, success, duration)

    def _reminders(self) -> Iterable[Metric]:
        reminders = make_family("reminders_open", "Reminders that have not ended, snoozed or not.", "kind")
        for kind, count in stats.open_by_kind().items():
            reminders.add_metric([kind], count)
        outbox = stats.outbox(self.now)
        messages = make_family("messages", "Messages by state.", "state")
        for state, count in outbox.by_state.items():
            messages.add_metric([state], count)
        yield from (reminders, messages)
        waits_s = _age_s(outbox.waits_since, self.now)
        yield make_gauge(
            "oldest_unsent_message_seconds", "How long the oldest due message has waited.", waits_s
        )
        silent = len(late_sensors(self.now))
        yield make_gauge("sensors_silent", "Places whose sensor no longer sends readings.", silent)


def _age_s(since: datetime | None, now: datetime) -> float:
    return 0.0 if since is None else max((now - since).total_seconds(), 0.0)
