"""Work whose effects can be counted: a run that commits leaves one row, so a double run leaves two."""

import time
from pathlib import Path
from uuid import uuid4

from django.contrib.auth.models import Group

from background.queue import background_work, repeated_work


@background_work("counting.mark")
def mark(number: int, sleep_s: float = 0.0, begun: str = "", until: str = "") -> None:
    """Store the number, create the file `begun`, and wait inside the transaction for the file `until`."""
    Group.objects.create(name=f"{number} {uuid4()}")
    if begun:
        Path(begun).touch()
    time.sleep(sleep_s)
    wait_for_file(until)


@background_work("counting.fail")
def fail(number: int) -> None:
    Group.objects.create(name=f"{number} {uuid4()}")
    raise RuntimeError(f"number {number} cannot be written")


@background_work("counting.hang", limit_s=1.0)
def hang(number: int) -> None:
    Group.objects.create(name=f"{number} {uuid4()}")
    time.sleep(3600)


@repeated_work(name="counting.slot", minutes=1)
def slot() -> None:
    Group.objects.create(name=f"slot {uuid4()}")


def wait_for_file(path: str) -> None:
    while path and not Path(path).exists():
        time.sleep(0.05)


def _hang_until(number: int, begun: str, until: str) -> None:
    Path(begun).touch()
    wait_for_file(until)


@background_work("counting.send", prepare=_hang_until, queue="delivery")
def send(number: int, begun: str, until: str, prepared: None) -> None:
    """Like a mail server that hangs: until the file `until` is there."""
    Group.objects.create(name=f"{number} {uuid4()}")
