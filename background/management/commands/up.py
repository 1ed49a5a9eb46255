import os
import socket
import sys
from collections.abc import Sequence
from functools import partial
from importlib import import_module
from typing import IO

import redis
from celery import current_app
from django.conf import settings
from django.core.exceptions import ImproperlyConfigured
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser

from background.queues import QUEUES
from background.signals import before_fork
from background.supervisor import CannotStart, Child, listen, lock_data_folder, supervise
from background.web import load_application, serve

# A page holds Python's lock while it is computed, so people who ask at once wait for one another in a process.
WEB_PROCESSES = 2


class Command(BaseCommand):
    help = "Serve the pages together with the Celery worker and the schedule, until Ctrl-C."
    # A later start should take little time.
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default=os.environ.get("HOST", "127.0.0.1"))
        parser.add_argument("--port", type=int, default=os.environ.get("PORT", "8000"))

    def handle(self, *args: object, **options: object) -> None:
        host, port = str(options["host"]), int(str(options["port"]))
        try:
            lock = lock_data_folder(settings.DATA_DIR)
            listener = listen(host, port)
            _require_redis(settings.REDIS_URL)
            _load_for_children()
        except (CannotStart, ImproperlyConfigured) as error:
            raise CommandError(str(error)) from error
        shown = f"[{host}]" if ":" in host else host
        self.stdout.write(f"Loadworthy is at http://{shown}:{listener.getsockname()[1]}/ (Ctrl-C stops it).")
        if host not in {"127.0.0.1", "::1", "localhost"} and "ALLOWED_HOSTS" not in os.environ:
            self.stdout.write(
                "Other devices are let in by name only: list the names or addresses they use, separated by "
                "commas, in ALLOWED_HOSTS."
            )
        self.stdout.flush()
        supervise(_children(listener, lock))
        lock.close()
        self.stdout.write("Stopped.")


def _children(listener: socket.socket, lock: IO[str]) -> list[Child]:
    """Web servers on one socket, and one worker for all queues, whose thread is the schedule.

    With Redis a second worker, so that a mail server that hangs delays nothing else, and the schedule in a
    process of its own. Beside them the processes of the settings.
    """
    webs = [
        Child(f"web-{number}" if number > 1 else "web", partial(serve, listener), close=(lock,))
        for number in range(1, WEB_PROCESSES + 1)
    ]
    if not settings.REDIS_URL:
        workers = [_worker("worker", QUEUES)]
    else:
        shared_queues = [queue for queue in QUEUES if queue != "delivery"]
        schedule = Child("schedule", partial(_celery, "beat"))
        workers = [_worker("worker", shared_queues), _worker("delivery-worker", ["delivery"]), schedule]
    others = [
        Child(name, partial(call_command, command)) for name, command in settings.MORE_PROCESSES.items()
    ]
    for process in [*workers, *others]:
        process.close = (lock, listener)
    return [*webs, *workers, *others]


def _worker(name: str, queues: Sequence[str]) -> Child:
    # Its successor after a crash has the same name, and takes over its leases.
    holder = f"{socket.gethostname()}:{'+'.join(queues)}:{settings.DATA_DIR}"[:300]
    options = ["--without-gossip", "--without-mingle", "-n", f"{name}@%h", "-Q", ",".join(queues)]
    return Child(name, partial(_celery, "worker", *options), env={"LOADWORTHY_WORKER": holder})


def _load_for_children() -> None:
    """Import before the fork what the children would import after it, each for itself."""
    load_application()
    pool = "prefork" if settings.REDIS_URL else "thread"
    for name in ("celery.bin.celery", "celery.apps.worker", f"celery.concurrency.{pool}", "background.beat"):
        import_module(name)
    before_fork.send(sender=None)


def _celery(command: str, *options: str) -> None:
    sys.exit(current_app.start(["--quiet", command, "--loglevel", "WARNING", *options]))


def _require_redis(url: str) -> None:
    if not url:
        return
    try:
        with redis.Redis.from_url(url, socket_connect_timeout=3, socket_timeout=3) as client:
            client.ping()
    except (redis.RedisError, ValueError) as error:
        raise CannotStart(
            f"Redis does not answer: start it, correct REDIS_URL, or unset REDIS_URL to do without ({error})."
        ) from error
