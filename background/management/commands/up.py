import os
import socket
from collections.abc import Sequence

import redis
from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from background.queues import QUEUES
from background.supervisor import CannotStart, Child, listen, lock_data_folder, python, supervise

CELERY = python("-m", "celery", "--quiet", "-A", "config")


class Command(BaseCommand):
    help = "Serve the pages together with the Celery worker and the schedule, until Ctrl-C."
    # The children check what they need; a second start should take little time.
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default=os.environ.get("HOST", "127.0.0.1"))
        parser.add_argument("--port", type=int, default=os.environ.get("PORT", "8000"))

    def handle(self, *args: object, **options: object) -> None:
        host, port = str(options["host"]), int(str(options["port"]))
        try:
            # The lock is held as long as this name is.
            lock = lock_data_folder(settings.DATA_DIR)
            listener = listen(host, port)
            _ask_redis(settings.REDIS_URL)
        except CannotStart as error:
            raise CommandError(str(error)) from error
        shown = f"[{host}]" if ":" in host else host
        self.stdout.write(f"Loadworthy is at http://{shown}:{listener.getsockname()[1]}/ (Ctrl-C stops it).")
        if host not in {"127.0.0.1", "::1", "localhost"} and "ALLOWED_HOSTS" not in os.environ:
            self.stdout.write(
                "Other devices are let in by name only: list the names or addresses they use, separated by "
                "commas, in ALLOWED_HOSTS."
            )
        self.stdout.flush()
        supervise(_children(listener))
        lock.close()
        self.stdout.write("Stopped.")


def _children(listener: socket.socket) -> list[Child]:
    """Pages and one worker for all queues, whose thread is the schedule.

    With Redis a second worker, so that a mail server that hangs holds up nothing else, and the schedule by
    itself.
    """
    fd = listener.fileno()
    web = Child("The web server", python("-m", "background.web", str(fd)), settings.BASE_DIR, pass_fds=(fd,))
    if not settings.REDIS_URL:
        return [web, _worker("The worker", QUEUES)]
    beat = Child("The schedule", [*CELERY, "beat", "--loglevel", "WARNING"], settings.BASE_DIR)
    rest = [queue for queue in QUEUES if queue != "delivery"]
    return [web, _worker("The worker", rest), _worker("The delivery worker", ["delivery"]), beat]


def _worker(name: str, queues: Sequence[str]) -> Child:
    options = ["--without-gossip", "--without-mingle", "--loglevel", "WARNING", "-Q", ",".join(queues)]
    # Its heir after a fall has the same name, and takes over what it held.
    known_as = f"{socket.gethostname()}:{'+'.join(queues)}:{settings.DATA_DIR}"[:300]
    return Child(name, [*CELERY, "worker", *options], settings.BASE_DIR, env={"LOADWORTHY_WORKER": known_as})


def _ask_redis(url: str) -> None:
    if not url:
        return
    try:
        with redis.Redis.from_url(url, socket_connect_timeout=3, socket_timeout=3) as client:
            client.ping()
    except (redis.RedisError, ValueError) as error:
        raise CannotStart(
            f"Redis does not answer: start it, correct REDIS_URL, or unset REDIS_URL to do without ({error})."
        ) from error
