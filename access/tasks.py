from django.contrib.auth.tokens import default_token_generator
from django.core.mail import send_mail
from django.urls import reverse
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode
from django.utils.translation import gettext as _

from access.display import shown_for
from access.invitations import invitation_path, open_invitations
from access.models import User
from background.queue import background_work


@background_work("access.mail_reset", queue="delivery")
def mail_reset(user_id: int, base: str) -> None:
    """Send the link with which a person chooses another password; it is made here and stored nowhere."""
    user = User.objects.filter(pk=user_id, is_active=True).first()
    if user is None or not user.email:
        return
    uid = urlsafe_base64_encode(force_bytes(user.pk))
    path = reverse("password-reset-confirm", args=[uid, default_token_generator.make_token(user)])
    with shown_for(user):
        body = _(
            "Somebody asked for another password of the account {user} of this print shop. Choose it here, within "
            "two hours:\n\n{link}\n\nIf it was not you, do nothing: the password stays as it is.\n"
        ).format(user=user, link=f"{base}{path}")
        send_mail(_("Choose another password"), body, None, [user.email])


@background_work("access.mail_invitation", queue="delivery")
def mail_invitation(invitation_id: int, base: str) -> None:
    """Send the link of an open invitation."""
    invitation = (
        open_invitations().filter(pk=invitation_id).exclude(email="").select_related("added_by").first()
    )
    if invitation is None:
        return
    # Whoever is invited has chosen no language yet, so it is that of whoever invites.
    with shown_for(invitation.added_by):
        body = _(
            "{name} invites you to this print shop. Choose a name and a password here, within a week:\n\n{link}\n"
        ).format(name=invitation.added_by, link=f"{base}{invitation_path(invitation)}")
        send_mail(_("Invitation to a print shop"), body, None, [invitation.email])
