"""Confirmation of e-mail addresses: a signed link, sent to the address and to nobody else."""

from datetime import timedelta

from django.core import signing

from maintenance.models import Channel

VALID_FOR = timedelta(days=3)
SALT = "confirm-channel"


def write(channel: Channel) -> str:
    """The token of a link for the address that the channel has now."""
    return signing.dumps([channel.pk, channel.address], salt=SALT)


def find_channel(token: str) -> Channel | None:
    """The channel that a token confirms; None for a forged or old one, or a channel that has ended."""
    try:
        pk, address = signing.loads(token, salt=SALT, max_age=VALID_FOR)
    except signing.BadSignature:
        return None
    return Channel.objects.filter(pk=pk, address=address, kind=Channel.Kind.EMAIL, ended_at=None).first()


def confirm(channel: Channel) -> None:
    """From now on reminders are sent to it. A second time changes nothing."""
    channel.unconfirmed = False
    channel.save(update_fields=["unconfirmed"])
