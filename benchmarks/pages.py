"""How quickly the pages of a shop of any size answer over HTTP, and what they cost the processor.

    python -m benchmarks.pages --spools 1000 --machines 20 --database sqlite
    python -m benchmarks.pages --spools 10000 --machines 200 --database postgres
    python -m benchmarks.pages --demo --at-once 8

The shop of benchmarks/big_shop.py as of now (or the demo shop), everything up to date, served by ./run as in a
shop without its workers. Each address is asked one after the other, or by several people at once. Printed for
each: queries, milliseconds of the processor of the web processes, and the time to the whole answer in the median
and at the 95th percentile. The last line is the smallest answer, the version of the board that open pages ask for:
on a busy machine compare the others with it.
"""

import argparse
import os
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import urlsplit

from tests.services.shop import name_of, processes, run_manage, served, shop_env

TICKS = os.sysconf("SC_CLK_TCK")


def main() -> None:
    parser = argparse.ArgumentParser(description="Time the pages of a shop.")
    parser.add_argument("--spools", type=int, default=1000)
    parser.add_argument("--machines", type=int, default=20)
    parser.add_argument("--database", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--demo", action="store_true", help="the demo shop instead of a big one")
    parser.add_argument("--at-once", type=int, default=1, help="people who ask at the same time")
    parser.add_argument("--times", type=int, default=40, help="how often each person asks for each address")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="loadworthy-") as folder, _database(options.database) as address:
        env = shop_env(Path(folder) / "data", address)
        os.environ |= {name: env[name] for name in ("LOADWORTHY_DATA", "DATABASE_URL") if name in env}
        os.environ["DJANGO_SETTINGS_MODULE"] = "config.settings"
        # Sessions are signed with the key that this command stores in the data folder.
        run_manage(env, "prepare", *(["--demo"] if options.demo else []))
        import django

        django.setup()
        _build(options)
        session, addresses = _sign_in(), _addresses()
        queries = {name: _count_queries(session, path) for name, path in addresses.items()}
        title = "the demo shop" if options.demo else f"{options.spools} spools, {options.machines} machines"
        print(f"{title}, {options.database}, {options.at_once} at once, {options.times} times each")
        print(f"{'':12} {'queries':>8} {'cpu ms':>8} {'p50 ms':>8} {'p95 ms':>8} {'kB':>8}")
        with served(env) as (url, _):
            for name, path in addresses.items():
                _time(env, url, session, path, 3, 1)
                cpu_s, seconds, size = _time(env, url, session, path, options.times, options.at_once)
                ms = sorted(1000 * second for second in seconds)
                print(
                    f"{name:12} {queries[name]:8} {1000 * cpu_s / len(ms):8.1f} {statistics.median(ms):8.1f} "
                    f"{ms[int(0.95 * (len(ms) - 1))]:8.1f} {size / 1000:8.1f}",
                    flush=True,
                )


@contextmanager
def _database(kind: str) -> Iterator[str | None]:
    if kind == "sqlite":
        yield None
        return
    from tests.services.servers import PostgresServer

    with PostgresServer.running() as server:
        yield server.new_database()


def _build(options: argparse.Namespace) -> None:
    from django.utils import timezone

    from background.running import run_due
    from benchmarks import big_shop, big_shop_caches

    if not options.demo:
        now = timezone.now()
        big_shop.build(options.spools, options.machines, now)
        big_shop_caches.bring_up(now - timedelta(hours=6))
    while run_due():
        pass


def _sign_in() -> str:
    """The cookie of a session."""
    from django.conf import settings
    from django.contrib.auth import get_user_model
    from django.test import Client

    client = Client()
    client.force_login(get_user_model().objects.create_superuser("benchmark"))
    return f"{settings.SESSION_COOKIE_NAME}={client.cookies[settings.SESSION_COOKIE_NAME].value}"


def _addresses() -> dict[str, str]:
    """The pages by name; the spool is one that is loaded, if any is."""
    from django.urls import reverse

    from maintenance.models import Toolhead
    from spools.models import Spool

    spool = Spool.objects.filter(ended_at=None).order_by("pk").last()
    toolhead = Toolhead.objects.order_by("pk").first()
    assert spool is not None and toolhead is not None
    return {
        "Today": "/",
        "Spools": reverse("spools"),
        "Spool": reverse("spool", args=[spool.code]),
        "Load": f"{reverse('spool-load', args=[spool.code])}",
        "Machines": reverse("machines"),
        "Reminders": reverse("reminders"),
        "metrics": "/metrics",
        "readiness": f"/api/v1/readiness/?toolhead={toolhead.pk}&spool={spool.code}",
        "may start": f"/api/v1/may-start?toolhead={toolhead.pk}&spool={spool.code}"
        "&mass_g=82&hours=5.5&nozzle_c=215&bed_c=60",
        "version": reverse("live"),
    }


def _count_queries(session: str, path: str) -> int:
    """The queries of the second time, when what is computed once is computed."""
    from django.db import connection
    from django.test import Client
    from django.test.utils import CaptureQueriesContext

    client = Client(headers={"cookie": session, "host": "localhost"})
    client.cookies.load(session)
    for _ in range(2):
        with CaptureQueriesContext(connection) as queries:
            answer = client.get(path)
            assert answer.status_code == 200, (path, answer.status_code)
    return len(queries)


def _time(
    env: dict[str, str], url: str, session: str, path: str, times: int, people: int
) -> tuple[float, Sequence[float], int]:
    """Seconds of the processor in all, the seconds of each request, and the bytes of an answer."""
    seconds: list[float] = []
    sizes: list[int] = []

    def ask() -> None:
        address = urlsplit(url)
        connection = HTTPConnection(address.hostname or "", address.port, timeout=300)
        for _ in range(times):
            began = time.perf_counter()
            connection.request("GET", path, headers={"Cookie": session})
            answer = connection.getresponse()
            body = answer.read()
            assert answer.status == 200, (path, answer.status)
            seconds.append(time.perf_counter() - began)
            sizes.append(len(body))
        connection.close()

    before = _processor_s(env)
    _at_once([ask] * people)
    return _processor_s(env) - before, seconds, sizes[-1]


def _at_once(calls: Sequence[Callable[[], None]]) -> None:
    threads = [threading.Thread(target=call) for call in calls]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def _processor_s(env: dict[str, str]) -> float:
    """Seconds that the web processes have used."""
    ticks = 0
    for pid in processes(env):
        if "web" in name_of(pid):
            fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
            ticks += int(fields[11]) + int(fields[12])
    return ticks / TICKS


if __name__ == "__main__":
    main()
