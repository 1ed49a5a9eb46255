"""Writers that commit in any order beside readers of the log, on the database that the environment names.

Run as a module by test_order.py; prints what went wrong, one line each.
"""

import random
import threading
import time
from collections.abc import Callable

import django

django.setup()

from django.db import connection, transaction  # noqa: E402
from django.utils import timezone  # noqa: E402

from maintenance.events.feed import read_events  # noqa: E402
from maintenance.events.recording import add_event  # noqa: E402
from maintenance.models import ShopEvent  # noqa: E402

WRITERS, READERS, FACTS, KINDS = 6, 2, 40, ShopEvent.Kind.values


def main() -> None:
    waits, over, read = random.Random(1), threading.Event(), [[] for _ in range(READERS)]
    pauses = [[waits.uniform(0, 0.008) for _ in range(FACTS)] for _ in range(WRITERS)]
    # What a writer knows to be stored before it begins a transaction stands before it in the log.
    committed: list[str] = []
    known: dict[str, int] = {}

    def write(number: int) -> None:
        for turn, pause in enumerate(pauses[number]):
            before = len(committed)
            with transaction.atomic():
                facts = [f"test:{number}.{turn}.{part}" for part in range(1 + turn % 2)]
                for fact in facts:
                    add_event(ShopEvent.Kind.SPOOL_MOVED, timezone.now(), fact, {})
                    time.sleep(pause)
                if turn % 7 == 3:
                    transaction.set_rollback(True)
            if turn % 7 != 3:
                known.update(dict.fromkeys(facts, before))
                committed.extend(facts)

    def poll(number: int) -> None:
        cursor = 0
        while True:
            was_over = over.is_set()
            part = read_events(cursor, KINDS, 3)
            read[number] += [(event.sequence, event.fact) for event in part.events]
            cursor = part.following
            if was_over and not part.more:
                return

    readers = _start([lambda n=n: poll(n) for n in range(READERS)])
    for thread in _start([lambda n=n: write(n) for n in range(WRITERS)]):
        thread.join()
    over.set()
    for thread in readers:
        thread.join()
    for events in read:
        facts = [fact for _, fact in events]
        if [number for number, _ in events] != list(range(1, len(committed) + 1)):
            print("gaps", [number for number, _ in events])
        if sorted(facts) != sorted(committed):
            print("missed", {*committed} - {*facts}, "more", {*facts} - {*committed})
        place = {fact: number for number, fact in events}
        late = [
            (fact, earlier) for fact, count in known.items() for earlier in committed[:count]
            if place.get(earlier, 0) > place.get(fact, 0)
        ]  # fmt: skip
        if late:
            print("out of order", late[:5])
    if read[0] != read[1]:
        print("two readers read differently")


def _start(acts: list[Callable[[], None]]) -> list[threading.Thread]:
    def run(act: Callable[[], None]) -> None:
        act()
        connection.close()

    threads = [threading.Thread(target=run, args=[act]) for act in acts]
    for thread in threads:
        thread.start()
    return threads


if __name__ == "__main__":
    main()
