"""Sweeps, facts and people at the same time, on the database that the environment names.

Run as a module by test_concurrent_sweeps.py; prints what went wrong, one line each.
"""

import threading
from collections.abc import Callable
from datetime import timedelta
from itertools import count

import django

django.setup()

from django.core.exceptions import ValidationError  # noqa: E402
from django.db import connection  # noqa: E402
from django.db.models import Count  # noqa: E402
from django.utils import timezone  # noqa: E402

from maintenance.models import Channel, Reminder, ReminderEvent  # noqa: E402
from maintenance.parts.fitting import replace_part  # noqa: E402
from maintenance.parts.stock import add_stock  # noqa: E402
from maintenance.reminders.delivery.channels import add_email  # noqa: E402
from maintenance.reminders.lifecycle import LONGEST_SNOOZE, complete, snooze  # noqa: E402
from maintenance.reminders.sweep import sweep  # noqa: E402
from spools.drying.runs import DryingSettings, finish_drying, start_drying  # noqa: E402
from tests.pages.small_shop import a_job, small_shop  # noqa: E402
from tests.spools.conftest import hours_ago  # noqa: E402

ROUNDS = 4


def main() -> None:
    shop = small_shop()
    nozzle = shop.toolheads[0].fittings.get(role="nozzle", end=None).part.kind
    add_stock(nozzle, 40)
    number = count(1)

    def dried() -> None:
        [run] = start_drying([shop.spools[1]], shop.dryer, DryingSettings(70, planned_hours=8))
        finish_drying(run, place=shop.box)

    def acted() -> None:
        for reminder in Reminder.objects.filter(ended_at=None):
            if next(number) % 2:
                complete(reminder)
            else:
                snooze(reminder, timezone.now() + LONGEST_SNOOZE / 2)

    def printed() -> None:
        turn = next(number)
        a_job(shop, name=f"job {turn}", start=hours_ago(4) + turn * timedelta(minutes=1), hours=0.01)

    def replaced() -> None:
        replace_part(shop.toolheads[0], "nozzle", nozzle)

    errors = at_once([sweep, sweep, acted, dried, printed, replaced])
    # Two that add the same address.
    errors += at_once([lambda: add_email(shop.user, f"{next(number) // 4}@shop.example")] * 2)
    print(*errors, *wrong(), sep="\n", end="")


def at_once(acts: list[Callable[[], object]]) -> list[str]:
    """Does each act several times, all of them beside each other. Refusals of the shop are no errors."""
    start, errors = threading.Barrier(len(acts)), []

    def run(act: Callable[[], object]) -> None:
        start.wait()
        for _ in range(ROUNDS):
            try:
                act()
            except ValidationError:
                continue
            except Exception as error:
                errors.append(f"{type(error).__name__}: {error}".replace("\n", " "))
        connection.close()

    threads = [threading.Thread(target=run, args=[act]) for act in acts]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return errors


def wrong() -> list[str]:
    """Causes that are open twice, events that are missing or double; nothing at all is wrong, too."""
    rows = Reminder.objects.filter(ended_at=None).values("condition").annotate(n=Count("pk")).filter(n__gt=1)
    found = [f"open twice: {row['condition']}" for row in rows]
    once = ReminderEvent.objects.exclude(type__in=["snoozed", "returned"])
    rows = once.values("reminder", "type").annotate(n=Count("pk")).filter(n__gt=1)
    found += [f"told twice: {row}" for row in rows]
    for reminder in Reminder.objects.prefetch_related("events"):
        told = [event.type for event in reminder.events.all()]
        if told[:1] != ["opened"] or (reminder.ending or None) not in [*told, None]:
            found.append(f"{reminder.condition}: {told}")
    ways = Channel.objects.filter(ended_at=None).values("user", "address").annotate(n=Count("pk"))
    found += [f"added twice: {way}" for way in ways.filter(n__gt=1)]
    if not Reminder.objects.exists():
        found.append("no reminders")
    return found


if __name__ == "__main__":
    main()
