"""How long a sweep of a big shop takes: all dry boxes, all spools, all reminders.

    python -m tests.bench.sweep --spools 10000 --machines 200 --database sqlite

The shop of tests/bench/big_shop.py, up to date as of an hour ago, when a quarter of a UTC day ends: the sweep
that stores a checkpoint of every spool; then the next one, which finds little to do. With --behind 168 the
shop had stood still for a week. Parts one by one in this process; then the same again by two workers that
share the work items as in the product, if --workers is given.
"""

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from datetime import timedelta
from pathlib import Path
from typing import Any


def main() -> None:
    parser = argparse.ArgumentParser(description="Time a sweep of a big shop.")
    parser.add_argument("--spools", type=int, default=10_000)
    parser.add_argument("--machines", type=int, default=200)
    parser.add_argument("--database", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--behind", type=float, default=1.0, help="hours since all was up to date")
    parser.add_argument("--workers", type=int, default=0, help="processes that share the work; 0: this one")
    parser.add_argument("--profile", default="", help="file for cProfile's statistics")
    options = parser.parse_args()
    with _database(options.database) as address:
        os.environ |= {"DATABASE_URL": address, "DJANGO_SETTINGS_MODULE": "config.settings"}
        import django

        django.setup()
        _run(options)


@contextmanager
def _database(kind: str) -> Iterator[str]:
    if kind == "postgres":
        from tests.services.servers import PostgresServer

        with PostgresServer.running() as server:
            yield server.new_database()
        return
    folder = tempfile.mkdtemp(prefix="loadworthy-")
    try:
        yield f"sqlite:///{folder}/shop.sqlite3"
    finally:
        shutil.rmtree(folder)


def _run(options: argparse.Namespace) -> None:
    import time_machine
    from django.core.management import call_command

    from tests.bench import big_shop

    call_command("migrate", verbosity=0)
    with time_machine.travel(big_shop.NOW) as clock:
        _timed("facts written", lambda: big_shop.build(options.spools, options.machines))
        up_to_date = big_shop.NOW - timedelta(hours=options.behind)
        _timed("caches written", lambda: big_shop.bring_up(up_to_date))
        _warm_up()
        clock.move_to(big_shop.NOW)
        profile = _profiling(options.profile) if options.profile else nullcontext()
        with profile:
            _sweep("sweep", options)
        clock.move_to(big_shop.NOW + timedelta(minutes=15))
        _sweep("quarter of an hour later", options)
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"memory of this process at most: {memory_mb:.0f} MiB")


def _sweep(title: str, options: argparse.Namespace) -> None:
    from background.running import run_due

    print(f"-- {title}: {options.spools} spools, {options.machines} machines, {options.database}")
    started = time.perf_counter()
    if options.workers:
        _timed(f"all, by {options.workers} workers", lambda: _workers(options.workers))
    else:
        _timed("boxes and spools", lambda: run_due(queue="moisture"))
        _timed("reminders", lambda: run_due(queue="reminders"))
    seconds = time.perf_counter() - started
    print(f"{'in all':28}{seconds:8.2f} s {options.spools / seconds:10.0f} spools/s")


def _timed(what: str, act: Callable[[], Any]) -> None:
    """Run it and say how long it took on the wall and on the processor, and its queries."""
    from django.db import connection

    count = 0

    def counted(execute: Any, *args: Any) -> Any:
        nonlocal count
        count += 1
        return execute(*args)

    wall, busy = time.perf_counter(), time.process_time()
    with connection.execute_wrapper(counted):
        act()
    wall, busy = time.perf_counter() - wall, time.process_time() - busy
    print(f"{what:28}{wall:8.2f} s {busy:8.2f} s of the processor {count:7} queries", flush=True)


def _workers(count: int) -> None:
    """Processes that do what is due, at the same pretended time."""
    from django.utils import timezone

    code = f"from tests.bench.sweep import work; work({timezone.now().timestamp()})"
    processes = [subprocess.Popen([sys.executable, "-c", code]) for _ in range(count)]
    for process in processes:
        assert process.wait() == 0


def work(now: float) -> None:
    """A worker of the product, at a pretended time."""
    import django

    django.setup()
    import time_machine

    from background.running import run_due

    with time_machine.travel(now):
        _warm_up()
        started = time.perf_counter()
        count = run_due()
        print(f"   a worker: {count} items in {time.perf_counter() - started:.2f} s")


def _warm_up() -> None:
    """Compiled code is loaded before anything is timed."""
    from spools.models import Feedstock
    from tests.bench import big_shop

    assert big_shop.memories(Feedstock.objects.all()[:1])


@contextmanager
def _profiling(path: str) -> Iterator[None]:
    import cProfile

    profile = cProfile.Profile()
    profile.enable()
    yield
    profile.disable()
    profile.dump_stats(Path(path))


if __name__ == "__main__":
    main()
