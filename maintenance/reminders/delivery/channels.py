"""The channels of a person: added, subscribed to kinds of reminders, ended; and the notification settings."""

import base64
import secrets
from collections.abc import Iterable, Mapping
from datetime import time
from typing import Any

import httpx
from django.contrib.auth import get_user_model
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.models import Channel, NotificationSettings, Reminder, Subscription
from maintenance.reminders.delivery import push
from maintenance.reminders.delivery.addresses import is_permitted, numeric
from maintenance.reminders.delivery.outbox import ENDED, end_channel, send_test
from maintenance.reminders.delivery.times import DAY, LEAST_OPEN, quiet_length
from maintenance.reminders.delivery.webhook import new_secret
from spools.edits.versions import count_edit
from spools.refusals import refusal

Kind, Timing = Channel.Kind, Subscription.Timing
LONGEST_ADDRESS = 1000
MOST_CHANNELS = 20  # of an account
# Kinds that cannot wait for the digest of the next day.
NO_DIGEST = [Reminder.Kind.DRYER_UP, Reminder.Kind.DRYING_DONE]
ALL_AT_ONCE: dict[str, str] = dict.fromkeys(Reminder.Kind.values, Timing.AT_ONCE)
EMAIL_DEFAULTS = {
    kind: Timing.AT_ONCE if kind in NO_DIGEST else Timing.DIGEST for kind in Reminder.Kind.values
}


def open_channels(user: Any) -> list[Channel]:
    return list(Channel.objects.filter(user=user, ended_at=None))


@transaction.atomic
def add_email(user: Any, address: str, name: str = "", site: str = "") -> Channel:
    """An e-mail address, which gets nothing but a link until it is confirmed; then most kinds in the digest.

    site: as for send_test.
    """
    address = address.strip()
    try:
        validate_email(address)
    except ValidationError:
        raise refusal("address", _("Give one e-mail address, such as ada@shop.example."), "address") from None
    channel = _add(user, Kind.EMAIL, address, name, EMAIL_DEFAULTS, unconfirmed=True)
    send_test(channel, site)
    return channel


@transaction.atomic
def add_webhook(user: Any, address: str, name: str = "") -> Channel:
    """A web address to post events to, signed with a secret of its own."""
    address = address.strip()
    try:
        url = httpx.URL(address)
        possible = url.scheme in ("http", "https") and url.host and (url.port or 80) <= 65535
        if not possible or any(character.isspace() for character in address):
            raise ValueError("not a web address")
    except (httpx.InvalidURL, ValueError):
        # ValueError also: "xn--" before what is no encoded name.
        whole = _("Give a whole web address, such as https://receiver.example/reminders.")
        raise refusal("address", whole, "address") from None
    number = numeric(url.host)
    if number and not is_permitted(number):
        elsewhere = _(
            "Messages do not go to this address. One in your own network must be in WEBHOOK_NETWORKS."
        )
        raise refusal("address_refused", elsewhere, "address")
    if url.userinfo:
        without = _("Leave name and password out; the receiver knows us by the signature.")
        raise refusal("address_with_password", without, "address")
    return _add(user, Kind.WEBHOOK, address, name, ALL_AT_ONCE, secret=new_secret())


@transaction.atomic
def add_push(user: Any, endpoint: str, p256dh: str, auth: str, name: str = "") -> Channel:
    """A browser's subscription; the same one again brings its keys up to date."""
    endpoint = endpoint.strip()
    keys = {"p256dh": p256dh.strip(), "auth": auth.strip()}
    if not endpoint.startswith("https://"):
        raise refusal("push_address", _("A push service has an address with https. Ask the browser again."))
    try:
        if len(_decoded(keys["p256dh"])) != 65 or len(_decoded(keys["auth"])) != 16:
            raise ValueError("keys of another length")
        push.encrypted({"endpoint": endpoint, "keys": keys}, b"{}")
    except ValueError:
        raise refusal("push_keys", _("The browser's keys cannot be read. Ask the browser again.")) from None
    had = Channel.objects.filter(user=user, kind=Kind.PUSH, address=endpoint, ended_at=None).first()
    if had is None:
        return _add(user, Kind.PUSH, endpoint, name or _("A browser"), ALL_AT_ONCE, keys=keys)
    had.keys = keys
    had.save(update_fields=["keys"])
    return had


@transaction.atomic
def open_calendar(user: Any) -> Channel:
    """The person's calendar feed; one that is there is replaced, and its address ends at once."""
    _lock_channels(user)
    old = Channel.objects.filter(user=user, kind=Kind.CALENDAR, ended_at=None).first()
    kinds = ALL_AT_ONCE
    if old is not None:
        kinds = dict(old.subscriptions.values_list("reminder_kind", "timing"))
        end(old)
    return _add(user, Kind.CALENDAR, secrets.token_urlsafe(32), _("Calendar"), kinds)


@transaction.atomic
def count_on_page(user: Any, page: Channel | None, kinds: Iterable[str]) -> None:
    """Set the kinds that the pages count for a person. page: the channel of an earlier choice; without it all count."""
    chosen = dict.fromkeys(kinds, Timing.AT_ONCE)
    if page is not None:
        subscribe(page, chosen)
    elif chosen.keys() != set(Reminder.Kind.values):
        _add(user, Kind.PAGE, "", _("On the page"), chosen)


@transaction.atomic
def subscribe(channel: Channel, timings: Mapping[str, str]) -> None:
    """Set the kinds that a channel carries, each with its timing. Digests are for e-mail only.

    Refused: a channel whose kinds were changed since it was read.
    """
    count_edit(channel)
    _store_timings(channel, timings)


def _store_timings(channel: Channel, timings: Mapping[str, str]) -> None:
    for kind, timing in timings.items():
        if kind not in Reminder.Kind.values:
            raise refusal("unknown_kind", _("There is no such kind of reminder. Choose from the list."))
        if timing not in Timing.values or (timing == Timing.DIGEST and channel.kind != Kind.EMAIL):
            raise refusal("unknown_time", _("There is no such time. Choose from the list."))
    channel.subscriptions.exclude(reminder_kind__in=timings).delete()
    rows = [Subscription(channel=channel, reminder_kind=kind, timing=at) for kind, at in timings.items()]
    Subscription.objects.bulk_create(
        rows,
        update_conflicts=True,
        unique_fields=["channel", "reminder_kind"],
        update_fields=["timing"],
    )


@transaction.atomic
def renew_secret(channel: Channel) -> str:
    """Replace the secret of a webhook."""
    if channel.kind != Kind.WEBHOOK or channel.ended_at is not None:
        raise refusal("no_secret", _("Only a webhook that has not ended has a secret."))
    channel.secret = new_secret()
    channel.save(update_fields=["secret"])
    return channel.secret


@transaction.atomic
def end(channel: Channel) -> None:
    """Send nothing to it any more; waiting messages expire. Its sent messages stay on record."""
    end_channel(channel, timezone.now(), ENDED)


@transaction.atomic
def save_times(
    settings: NotificationSettings,
    quiet_from: time | None,
    quiet_to: time | None,
    urgent_in_quiet: bool,
    digest_at: time,
) -> None:
    """Set quiet hours and the time of the digest.

    Refused: half of the quiet hours, too many, a digest in them, settings that were edited meanwhile.
    """
    if (quiet_from is None) != (quiet_to is None):
        raise refusal("one_end", _("Give both ends of the quiet hours, or neither."), "quiet_to")
    if quiet_from is not None and quiet_to is not None:
        length = quiet_length(quiet_from, quiet_to)
        if not length or DAY - length < LEAST_OPEN:
            raise refusal(
                "quiet_all_day", _("Leave at least 2 hours of the day that are not quiet."), "quiet_to"
            )
        if quiet_length(quiet_from, digest_at) < length:
            raise refusal(
                "in_quiet_hours", _("This is in the quiet hours. Choose a time outside them."), "digest_at"
            )
    count_edit(settings)
    settings.quiet_from, settings.quiet_to = quiet_from, quiet_to
    settings.urgent_in_quiet, settings.digest_at = urgent_in_quiet, digest_at
    settings.save()


def _add(user: Any, kind: str, address: str, name: str, timings: Mapping[str, str], **values: Any) -> Channel:
    if len(address) > LONGEST_ADDRESS:
        raise refusal(
            "too_long",
            _("Give an address of at most {number} characters.").format(number=LONGEST_ADDRESS),
            "address",
        )
    _lock_channels(user)
    # Mail servers hardly ever distinguish capitals; web addresses do.
    same_address = {"address__iexact": address} if kind == Kind.EMAIL else {"address": address}
    if Channel.objects.filter(user=user, kind=kind, ended_at=None, **same_address).exists():
        raise refusal("recorded_already", _("This one is in your list already."), "address")
    if Channel.objects.filter(user=user, ended_at=None).count() >= MOST_CHANNELS:
        raise refusal(
            "too_many_channels",
            _("You have {number} channels. End one that you do not need.").format(number=MOST_CHANNELS),
        )
    channel = Channel.objects.create(user=user, kind=kind, address=address, name=name.strip(), **values)
    _store_timings(channel, timings)
    return channel


def _lock_channels(user: Any) -> None:
    """One change of a person's channels at a time: a second tap sees the channel that the first has added."""
    get_user_model().objects.select_for_update(no_key=True).get(pk=user.pk)


def _decoded(text: str) -> bytes:
    """From base64url; ValueError for anything else."""
    return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
