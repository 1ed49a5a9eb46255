"""Invitations: a link with which one person makes an account, once, within a week."""

from datetime import timedelta

from django.core import signing
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import QuerySet
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from access.models import Invitation, User

OPEN_FOR = timedelta(days=7)
SALT = "access.invitations"


def invite(by: User, role: str, email: str = "") -> Invitation:
    """An invitation whose link is not sent yet."""
    return Invitation.objects.create(added_by=by, role=role, email=email)


def invitation_path(invitation: Invitation) -> str:
    """The address that its person opens."""
    return reverse("invitation", args=[signing.dumps(invitation.pk, salt=SALT)])


def open_invitations() -> QuerySet[Invitation]:
    """Those that may still be used; the account that invited may still do so."""
    return Invitation.objects.filter(
        ended_at=None, added_at__gt=timezone.now() - OPEN_FOR, added_by__is_active=True
    )


def find_invitation(key: str) -> Invitation | None:
    """The open invitation of a link."""
    try:
        pk = signing.loads(key, salt=SALT)
    except signing.BadSignature:
        return None
    return open_invitations().filter(pk=pk).first()


@transaction.atomic
def accept(invitation: Invitation, user: User) -> User:
    """Store the new account, with the role of the invitation. Raises ValidationError if that ended meanwhile."""
    locked = open_invitations().select_for_update(of=("self",)).filter(pk=invitation.pk).first()
    if locked is None:
        raise ValidationError(
            _("This invitation was used or taken back. Ask for another one."), code="invitation_ended"
        )
    user.role, user.email = locked.role, locked.email
    user.save()
    end_invitation(locked)
    return user


def end_invitation(invitation: Invitation) -> None:
    """Its link opens nothing any more."""
    invitation.ended_at = timezone.now()
    invitation.save(update_fields=["ended_at"])
