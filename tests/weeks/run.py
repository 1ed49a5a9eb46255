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

# Days after which one person's books are compared on the way, so that a disagreement shows soon.
CHECKED_EVERY = 14


def live(*, seed: int, days: int, printers: int, spools: int, start: datetime) -> Counter:
    """One person runs the shop. Returns how often each act was done."""
    with time_machine.travel(start, tick=False) as clock:
        [room] = open_shop(start - HOUR, printers, spools)
        life = Life(room, seed)

        def check(day: int) -> None:
            if day % CHECKED_EVERY == 0 and day < days:
                check_all([life.books])
                print(f"Day {day}: all books agree.", flush=True)

        live_days(life, days, start, clock.move_to, sweeps=True, end_day=check)
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

        def meet(day: int) -> None:
            if barrier.wait() == 0 and day % CHECKED_EVERY == 0:
                print(f"Day {day}.", flush=True)

        def write(number: int) -> None:
            life = Life(rooms[number], seed + number)
            try:
                live_days(life, days, start, clock.move_to, sweeps=number == 0, end_day=meet)
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
    end_day: Callable[[int], None],
) -> None:
    """Hour by hour. sweeps: reminders are raised, too. end_day: called with the number of each day that is over."""
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
            end_day(hour // 24 + 1)
