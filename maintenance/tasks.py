"""Looks for what is due, on a schedule."""

from django.utils import timezone

from background.queue import enqueue, every, work

from . import reminders


@every(name="maintenance.sweep", minutes=5)
def sweep() -> None:
    enqueue("maintenance.reminders")


def _computed() -> reminders.Found:
    return reminders.wet_spools(timezone.now())


@work("maintenance.reminders", prepare=_computed)
def raise_reminders(prepared: reminders.Found) -> None:
    """Store what was computed outside the transaction."""
    reminders.store_sweep(prepared, timezone.now())
