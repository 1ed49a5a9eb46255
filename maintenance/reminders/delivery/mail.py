"""E-mail by the shop's own mail server: plain text with a simple HTML part."""

import smtplib
import threading
from email.utils import parseaddr

from django.conf import settings
from django.core.mail import EmailMultiAlternatives
from django.template.loader import render_to_string
from django.urls import reverse

from maintenance.models import Message
from maintenance.reminders.delivery.posting import LONGEST_REASON, DeliveryFailed, describe_error
from maintenance.reminders.delivery.wording import address_of, rendered, subject_of
from spools.statements import Values

# All in all, against a server that drips; a single answer has EMAIL_TIMEOUT.
DEADLINE_S = 30.0


def is_set_up() -> bool:
    return bool(settings.EMAIL_HOST)


def send(message: Message) -> None:
    """Hand the message to the mail server. Raises DeliveryFailed if the server does not accept it."""
    if not is_set_up():
        raise DeliveryFailed("mail_not_set_up")
    mail = compose(message)
    failed: list[BaseException] = []

    def hand_over() -> None:
        try:
            mail.send()
        except Exception as error:
            failed.append(error)

    # Nothing can interrupt a conversation with a server that drips, so it is left alone when its time is up.
    # Should it succeed after all, the person has the e-mail twice, with the same Message-ID.
    thread = threading.Thread(target=hand_over, daemon=True, name="e-mail")
    thread.start()
    thread.join(DEADLINE_S)
    if thread.is_alive():
        raise DeliveryFailed("mail_too_slow", {"deadline_s": DEADLINE_S})
    if failed:
        raise _failure(failed[0]) from failed[0]


def compose(message: Message) -> EmailMultiAlternatives:
    """The e-mail, with a Message-ID that is the message's own: mail programs show a double once."""
    where = address_of(reverse("notifications"))
    body = rendered(message.body)
    context = {"entries": body.get("entries", [body]), "where": where, "subject": subject_of(body)}
    context["more"] = body.get("more", 0)
    sender = parseaddr(settings.DEFAULT_FROM_EMAIL)[1]
    headers = {
        "Message-ID": f"<{message.pk}@{sender.rpartition('@')[2] or 'localhost'}>",
        "Auto-Submitted": "auto-generated",
    }
    if where:
        headers["List-Unsubscribe"] = f"<{where}>"
    mail = EmailMultiAlternatives(
        subject=context["subject"],
        body=render_to_string("reminders/notifications/email.txt", context),
        to=[message.channel.address],
        headers=headers,
    )
    mail.attach_alternative(render_to_string("reminders/notifications/email.html", context), "text/html")
    return mail


def _failure(error: BaseException) -> DeliveryFailed:
    """The reason of the mail server. A refusal with 5yz is permanent (RFC 5321, 4.2.1)."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        status, words = next(iter(error.recipients.values()))
        answer = _answer(status, words)
        return DeliveryFailed("address_refused", answer, permanent=status >= 500, channel_down=False)
    if isinstance(error, smtplib.SMTPDataError):
        answer = _answer(error.smtp_code, error.smtp_error)
        return DeliveryFailed("mail_refused", answer, permanent=error.smtp_code >= 500, channel_down=False)
    if isinstance(error, smtplib.SMTPResponseException):
        return DeliveryFailed("sender_refused", _answer(error.smtp_code, error.smtp_error))
    return DeliveryFailed("mail_server_not_reached", {"reason": describe_error(error)})


def _answer(status: int, words: bytes | str) -> Values:
    text = words.decode(errors="replace") if isinstance(words, bytes) else words
    return {"status": status, "answer": " ".join(text.split())[:LONGEST_REASON]}
