from django.contrib.auth.tokens import default_token_generator
from django.core.mail import send_mail
from django.urls import reverse
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode

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
    body = (
        f"Somebody asked for another password of the account {user} of this print shop. Choose it here, within "
        f"two hours:\n\n{base}{path}\n\nIf it was not you, do nothing: the password stays as it is.\n"
    )
    send_mail("Choose another password", body, None, [user.email])


@background_work("access.mail_invitation", queue="delivery")
def mail_invitation(invitation_id: int, base: str) -> None:
    """Send the link of an open invitation."""
    invitation = (
        open_invitations().filter(pk=invitation_id).exclude(email="").select_related("added_by").first()
    )
    if invitation is None:
        return
    body = (
        f"{invitation.added_by} invites you to this print shop. Choose a name and a password here, within a "
        f"week:\n\n{base}{invitation_path(invitation)}\n"
    )
    send_mail("Invitation to a print shop", body, None, [invitation.email])
