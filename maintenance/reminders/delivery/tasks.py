"""Background work of delivery: a row per channel, and the digests of the day."""

from django.utils import timezone

from background.queue import background_work, repeated_work
from maintenance.events.feed import number_events
from maintenance.models import Channel
from maintenance.reminders.delivery import attempts, outbox, schedule, shop_events


@background_work(schedule.DELIVER, prepare=attempts.deliver_due, queue="delivery")
def deliver(channel: int, prepared: None) -> None:
    """Wait for the next message; the due ones were delivered outside the transaction."""
    schedule.queue_next_delivery(Channel.objects.get(pk=channel))


@repeated_work(name="maintenance.write_digests", minutes=1, queue="delivery")
def write_digests() -> None:
    """Write the digests that are due, and queue channels whose row was lost."""
    schedule.mend_times(timezone.now())
    outbox.write_digests(timezone.now())
    outbox.expire_ended()
    schedule.queue_all_deliveries()


@repeated_work(name=shop_events.POST, prepare=number_events, minutes=1, queue="delivery")
def post_shop_events(prepared: None) -> None:
    shop_events.post_events()


@repeated_work(name="maintenance.prune_messages", days=1, queue="delivery")
def prune_messages() -> None:
    outbox.prune(timezone.now())
