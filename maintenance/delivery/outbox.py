"""What is to be sent, written with the event that it tells of."""

from collections.abc import Sequence

from maintenance.models import ReminderEvent


def post(events: Sequence[ReminderEvent]) -> None:
    """Write a message for each channel that wants one of these events, in the caller's transaction."""
