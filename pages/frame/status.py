"""How the service is doing: its background work, what is sent, the sensors, the disk."""

from datetime import datetime, timedelta
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from background import backups, health, host, queries
from background.queue import queue_of, run_again
from maintenance.reminders.conditions.sensors import late_sensors
from maintenance.reminders.delivery import stats
from maintenance.scales.weighings import count_held
from pages.frame.notices import notify_refused

SHOWN_FAILED = 10
# One a day; a machine that was off over a weekend writes one as it starts.
BACKUP_WITHIN = timedelta(days=2)


def status(request: HttpRequest) -> HttpResponse:
    now = timezone.now()
    outbox, checks = stats.outbox(now), health.run_checks(now)
    last_backup = next((at for at, _path in backups.list_backups()), None)
    context = {
        "now": now,
        "last_backup": last_backup,
        "backup_is_late": last_backup is None or now - last_backup > BACKUP_WITHIN,
        "faults": [check for check in checks if not check.is_ok],
        "passed": [check for check in checks if check.is_ok],
        "works": _work_rows(now),
        "queues": [(queue, _age(queue.waits_since, now)) for queue in queries.queue_states(now)],
        "failed": queries.failed_items()[:SHOWN_FAILED],
        "outbox": outbox,
        "unsent_for": _age(outbox.waits_since, now),
        "failed_messages": stats.failed_messages()[:SHOWN_FAILED] if outbox.failed else [],
        "silent": late_sensors(now),
        "held_masses": count_held(),
        "disk": host.measure_disk(),
        "folder_is_open": host.data_folder_is_open(),
        "database_bytes": host.database_bytes(),
        "versions": host.versions(),
        "workers": queries.workers(now),
    }
    return render(request, "frame/status.html", context)


@require_POST
def status_again(request: HttpRequest, pk: UUID) -> HttpResponse:
    try:
        item = run_again(pk)
    except ValidationError as error:
        notify_refused(request, error)
    else:
        messages.success(request, _("{work} is in the queue again.").format(work=item.name))
    return redirect("status")


def _work_rows(now: datetime) -> list[dict]:
    following = queries.next_runs(now)
    return [
        {"run": run, "queue": queue_of(run.name), "next": following.get(run.name)}
        for run in queries.last_runs()
    ]


def _age(since: datetime | None, now: datetime) -> float | None:
    """In hours."""
    return None if since is None else max(now - since, timedelta(0)) / timedelta(hours=1)
