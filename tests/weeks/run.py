"""Lives some days of a shop and checks it."""

import traceback
from collections import Counter
from collections.abc import Callable
from datetime import datetime
from multiprocessing import get_context
from random import Random

import time_machine
from django.db import connections
from django.utils import timezone

from maintenance.reminders.sweep import sweep
from tests.weeks.checks import check_all
from tests.weeks.life import HOUR, Books, Life, read_air
from tests.weeks.opening import open_shop


def live(*, seed: int, days: int, printers: int, spools: int, start: datetime) -> Counter:
    """One person runs the shop. Returns how often each act was done."""
    with time_machine.travel(start, tick=False) as clock:
        [room] = open_shop(start - HOUR, printers, spools)
        life = Life(room, seed)
        live_days(life, days, start, clock.move_to, sweeps=True)
        return check_all([life.books])


def live_at_once(
    writers: int, *, seed: int, days: int, printers: int, spools: int, start: datetime
) -> Counter:
    """Several processes write at once, each in a room of its own; they meet at the end of a day."""
    context = get_context("fork")
    books, barrier = context.Queue(), context.Barrier(writers)
    with time_machine.travel(start, tick=False) as clock:
        rooms = open_shop(start - HOUR, printers, spools, writers)
        connections.close_all()

        def write(number: int) -> None:
            life = Life(rooms[number], seed + number)
            try:
                live_days(life, days, start, clock.move_to, sweeps=number == 0, meet=barrier.wait)
                books.put(life.books)
            except BaseException:
                barrier.abort()
                books.put(traceback.format_exc())
                raise

        processes = [context.Process(target=write, args=(number,)) for number in range(writers)]
        for process in processes:
            process.start()
        lived = [books.get() for _ in processes]
        for process in processes:
            process.join()
        assert all(isinstance(one, Books) for one in lived), lived
        clock.move_to(start + days * 24 * HOUR)
        return check_all(lived)


def live_days(
    life: Life,
    days: int,
    start: datetime,
    move_to: Callable[[datetime], None],
    *,
    sweeps: bool,
    meet: Callable = int,
) -> None:
    """Hour by hour. sweeps: reminders are raised, too. meet: called at the end of each day."""
    random = Random(start.timestamp())
    for hour in range(24 * days):
        now = start + hour * HOUR
        move_to(now)
        if hour % 6 == 0:
            read_air(life.opened, life.client, life.opened.sensed, now, random)
        life.live_hour(now, local_hour=timezone.localtime(now).hour)
        if sweeps and hour % 6 == 5:
            sweep()
        if hour % 24 == 23:
            meet()
