"""How long a sweep of a big shop takes: all dry boxes, all spools, all reminders.

    python -m benchmarks.sweep --spools 10000 --machines 200 --database sqlite

The shop of benchmarks/big_shop.py, up to date as of six hours ago, so that every spool has its turn: the
sweep that stores a checkpoint of each; then the one a quarter of an hour later, which finds little to do;
then the one after the next full hour, when a sixth of the spools have their turn. With --behind 168 the shop
had stood still for a week. With --workers 2 the work is shared by two processes, as in the product.
"""

import argparse
import multiprocessing
import os
import resource
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any


def main() -> None:
    parser = argparse.ArgumentParser(description="Time a sweep of a big shop.")
    parser.add_argument("--spools", type=int, default=10_000)
    parser.add_argument("--machines", type=int, default=200)
    parser.add_argument("--database", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--behind", type=float, default=6.0, help="hours since all was up to date")
    parser.add_argument("--workers", type=int, default=0, help="processes that share the work; 0: this one")
    options = parser.parse_args()
    with open_database(options.database) as address:
        os.environ |= {"DATABASE_URL": address, "DJANGO_SETTINGS_MODULE": "config.settings"}
        import django

        django.setup()
        _run(options)


@contextmanager
def open_database(kind: str) -> Iterator[str]:
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

    from benchmarks import big_shop, big_shop_caches

    call_command("migrate", verbosity=0)
    with time_machine.travel(big_shop.NOW):
        measure("facts written", lambda: big_shop.build(options.spools, options.machines))
        measure(
            "caches written", lambda: big_shop_caches.bring_up(big_shop.NOW - timedelta(hours=options.behind))
        )
    print(f"{options.spools} spools, {options.machines} machines, {options.database}")
    moments = {
        "every spool has its turn": big_shop.NOW,
        "a quarter of an hour later": big_shop.NOW + timedelta(minutes=15),
        "an hour later, for a sixth of them": big_shop.NOW + timedelta(hours=1),
    }
    if options.workers:
        _by_workers(options.workers, options.spools, moments)
    else:
        _alone(options.spools, moments)


def _alone(spools: int, moments: dict[str, datetime]) -> None:
    import time_machine

    from background.running import run_due

    warm_up()
    for title, moment in moments.items():
        print(f"-- {title}")
        started = time.perf_counter()
        with time_machine.travel(moment):
            measure("boxes and spools", lambda: run_due(queue="moisture"))
            measure("reminders", lambda: run_due(queue="reminders"))
        _print_time("in all", time.perf_counter() - started, spools)
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"memory at most: {memory_mb:.0f} MiB")


def _by_workers(count: int, spools: int, moments: dict[str, datetime]) -> None:
    """Processes that do what is due, all at the same pretended times."""
    context = multiprocessing.get_context("spawn")
    barrier = context.Barrier(count + 1)
    times = [moment.timestamp() for moment in moments.values()]
    workers = [context.Process(target=_work, args=(times, barrier)) for _ in range(count)]
    for worker in workers:
        worker.start()
    for title in moments:
        print(f"-- {title}", flush=True)
        barrier.wait()
        started = time.perf_counter()
        barrier.wait()
        _print_time(f"in all, by {count} workers", time.perf_counter() - started, spools)
    for worker in workers:
        worker.join()


def _work(times: list[float], barrier: Any) -> None:
    """A worker of the product."""
    import django

    django.setup()
    import time_machine

    from background.tasks import freeze_imported_modules

    warm_up()
    freeze_imported_modules()
    for moment in times:
        with time_machine.travel(moment):
            barrier.wait()
            measure("a worker", _until_all_is_done)
            barrier.wait()
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"memory of a worker at most: {memory_mb:.0f} MiB", flush=True)


def _until_all_is_done() -> None:
    """As a worker does that looks again and again: what one enqueues, the other may run."""
    from django.utils import timezone

    from background.models import WorkItem
    from background.running import run_due

    unfinished = [WorkItem.State.QUEUED, WorkItem.State.RUNNING]
    while run_due() or WorkItem.objects.filter(state__in=unfinished, due__lte=timezone.now()).exists():
        time.sleep(0.01)


def _print_time(name: str, seconds: float, spools: int) -> None:
    print(f"{name:28}{seconds:8.2f} s {spools / seconds:10.0f} spools/s", flush=True)


def measure(name: str, action: Callable[[], Any]) -> None:
    """Run it and say how long it took on the wall and on the processor, and its queries."""
    from django.db import connection

    count = 0

    def counted(execute: Any, *args: Any) -> Any:
        nonlocal count
        count += 1
        return execute(*args)

    wall, busy = time.perf_counter(), time.process_time()
    with connection.execute_wrapper(counted):
        action()
    wall, busy = time.perf_counter() - wall, time.process_time() - busy
    print(f"{name:28}{wall:8.2f} s {busy:8.2f} s of the processor {count:7} queries", flush=True)


def warm_up() -> None:
    """Compiled code is loaded before anything is timed."""
    from benchmarks import big_shop_caches
    from spools.models import Feedstock

    assert big_shop_caches.memories(Feedstock.objects.all()[:1])


if __name__ == "__main__":
    main()
