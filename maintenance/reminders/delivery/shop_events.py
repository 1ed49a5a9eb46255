"""Events of the shop to webhooks: a message for each event of the kinds that a channel carries, from the log.

Each channel has its place in the log, so a crash leaves no event out and writes none twice. The id of a message follows
from its event and channel: sent again, an event has the same id.
"""

import threading
from collections.abc import Collection, Iterable
from datetime import datetime
from uuid import uuid5

from django.db import transaction
from django.db.models import Max, QuerySet
from django.utils import timezone
from django.utils.translation import gettext as _

from background.queue import enqueue, enqueue_next
from maintenance.events.feed import number_events
from maintenance.events.wording import build_body, name_subjects
from maintenance.models import Channel, Message, ShopEvent
from maintenance.reminders.delivery.outbox import BATCH_SIZE
from maintenance.reminders.delivery.schedule import queue_delivery
from spools.edits.versions import count_edit
from spools.refusals import refusal

POST = "maintenance.post_shop_events"
# At once, for a channel; its other events follow.
MOST_POSTED = 2000
MOST_AGAIN = 10_000
# What a message that is sent again has anew.
FRESH = ["body", "state", "written_at", "not_before", "attempts", "next_attempt_at", "error", "ended_at"]


class _Pending(threading.local):
    is_wanted = False


_pending = _Pending()


def queue_posting() -> None:
    """Have the events of the caller's transaction posted after its commit, if a webhook carries any.

    What is lost between the two is made good for within a minute.
    """
    _pending.is_wanted = True
    transaction.on_commit(_queue, robust=True)


def _queue() -> None:
    """Once for all events of a transaction."""
    is_wanted, _pending.is_wanted = _pending.is_wanted, False
    if is_wanted and _list_channels().exists():
        enqueue(POST, singleton_key=POST)


def _list_channels() -> QuerySet[Channel]:
    open_ = Channel.objects.filter(kind=Channel.Kind.WEBHOOK, ended_at=None, user__is_active=True)
    return open_.exclude(event_kinds=[])


@transaction.atomic
def post_events() -> None:
    """Write the messages of the events that have got their place in the log, for each channel that carries them."""
    last, more = _find_last(), False
    for channel in _list_channels().order_by("pk").select_for_update(no_key=True, of=("self",)):
        events = list(_list_events(channel, channel.events_until, last)[:MOST_POSTED])
        is_whole = len(events) < MOST_POSTED
        more = more or not is_whole
        _store(channel, events)
        until = last if is_whole else events[-1].sequence or last
        Channel.objects.filter(pk=channel.pk).exclude(events_until=until).update(events_until=until)
    if more or ShopEvent.objects.filter(sequence=None).exists():
        enqueue_next(POST, {}, timezone.now(), singleton_key=POST)


@transaction.atomic
def choose_kinds(channel: Channel, kinds: Collection[str]) -> None:
    """Set the kinds of events that a webhook carries, from now on.

    Refused: an unknown kind, a channel that is no webhook or has ended, one that was changed since it was read.
    """
    _require_webhook(channel)
    if not {*kinds} <= {*ShopEvent.Kind.values}:
        raise refusal("unknown_kind", _("There is no such kind of event. Choose from the list."), "kinds")
    count_edit(channel)
    number_events()
    stored = Channel.objects.select_for_update(no_key=True).get(pk=channel.pk)
    # What was recorded under the former choice is posted under it.
    _store(stored, _list_events(stored, stored.events_until, _find_last()))
    channel.event_kinds = [kind for kind in ShopEvent.Kind.values if kind in kinds]
    channel.events_until = _find_last()
    channel.save(update_fields=["event_kinds", "events_until"])


@transaction.atomic
def send_again(channel: Channel, *, since: datetime | None = None, after: int = 0) -> int:
    """Send the events that a channel carries again, with the ids that they had. Returns how many.

    since: those that were recorded then or later. after: those with a higher place in the log. What was not yet
    written comes by itself.
    Refused: a channel that is no webhook or has ended, none or more than MOST_AGAIN events.
    """
    _require_webhook(channel)
    channel = Channel.objects.select_for_update(no_key=True).get(pk=channel.pk)
    events = _list_events(channel, after, channel.events_until)
    if since is not None:
        events = events.filter(recorded_at__gte=since)
    count = events.count()
    field = "after" if since is None else "since"
    if not count:
        nothing = _("This webhook carried no events since then. Give an earlier time.")
        raise refusal("nothing_to_send", nothing, field)
    if count > MOST_AGAIN:
        too_many = _(
            "These are {count} events, and at most {most} are sent again at once. Give a later time."
        )
        raise refusal("too_many_events", too_many.format(count=count, most=MOST_AGAIN), field)
    _store(channel, list(events))
    return count


def _require_webhook(channel: Channel) -> None:
    if channel.kind != Channel.Kind.WEBHOOK or channel.ended_at is not None:
        raise refusal("no_webhook", _("Only a webhook that has not ended carries events of the shop."))


def _find_last() -> int:
    return ShopEvent.objects.aggregate(last=Max("sequence"))["last"] or 0


def _list_events(channel: Channel, after: int, until: int) -> QuerySet[ShopEvent]:
    events = ShopEvent.objects.filter(kind__in=channel.event_kinds, sequence__gt=after, sequence__lte=until)
    return events.order_by("sequence")


def _store(channel: Channel, events: Iterable[ShopEvent]) -> None:
    """Write a message for each event, or make the one that is there wait again, and queue the delivery."""
    events, now = list(events), timezone.now()
    if not events:
        return
    messages = [
        Message(
            id=uuid5(event.uid, str(channel.pk)),
            channel=channel,
            purpose=Message.Purpose.SHOP,
            sequence=event.sequence,
            body=build_body(event, data),
            written_at=now,
            not_before=now,
            next_attempt_at=now,
        )
        for event, data in zip(events, name_subjects(events), strict=True)
    ]
    Message.objects.bulk_create(
        messages, BATCH_SIZE, update_conflicts=True, unique_fields=["id"], update_fields=FRESH
    )
    queue_delivery(channel)
