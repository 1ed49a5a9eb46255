"""The words of failed and expired messages."""

from django.utils.translation import gettext_lazy as _

from spools.sentences import register_sentences

NO_ANSWER = _(
    "No answer. Look at the address, and whether WEBHOOK_NETWORKS has it if it is in your own network."
)
ANSWERED = _("Answered, but not accepted. Look for the reason in the log of the receiver.")
FAILURES = {
    "delivery.channel_ended": _("The channel was ended."),
    "delivery.superseded": _("No longer due, or superseded by a later message."),
    "delivery.our_error": _("Something is wrong on our side ({reason})."),
    # Not how and why: any account could learn from it what runs in the shop's network.
    "delivery.no_whole_answer": NO_ANSWER,
    "delivery.receiver_not_reached": NO_ANSWER,
    "delivery.receiver_refused": ANSWERED,
    "delivery.receiver_moved": ANSWERED,
    "delivery.receiver_failed": ANSWERED,
    "delivery.mail_not_set_up": _("E-mail is not set up: set EMAIL_HOST and restart."),
    "delivery.mail_too_slow": _("The mail server took longer than {deadline_s:g} s."),
    "delivery.mail_server_not_reached": _("The mail server could not be reached ({reason})."),
    "delivery.address_refused": _("The mail server refused the address ({status} {answer})."),
    "delivery.mail_refused": _("The mail server refused the e-mail ({status} {answer})."),
    "delivery.sender_refused": _(
        "The mail server refused us ({status} {answer}): look at the settings of e-mail."
    ),
    "delivery.push_keys": _("The browser's keys or ours are of no use ({reason})."),
    "delivery.push_ended": _("The browser has ended its subscription."),
    "delivery.push_failed": ANSWERED,
}
register_sentences(FAILURES)
