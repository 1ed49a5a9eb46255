"""The work of sending: tries, what puts them in the queue, and the digest of the day."""

from django.utils import timezone

from background.queue import every, work
from maintenance.reminders.delivery import attempts, outbox


@work(outbox.DELIVER, prepare=attempts.attempt, queue="delivery")
def deliver(message: str, number: int, prepared: attempts.Outcome | None) -> None:
    """Store what came of a try that was made outside the transaction."""
    attempts.keep(message, number, prepared)


@work(outbox.DISPATCH, queue="delivery")
def dispatch() -> None:
    outbox.dispatch(timezone.now())


@every(name="maintenance.write_digests", minutes=1, queue="delivery")
def write_digests() -> None:
    """The digests that are due, and whatever was lost on its way into the queue."""
    outbox.write_digests(timezone.now())
    outbox.dispatch(timezone.now())


@every(name="maintenance.prune_messages", days=1, queue="delivery")
def prune_messages() -> None:
    outbox.prune(timezone.now())
