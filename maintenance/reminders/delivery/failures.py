"""The words of failed and expired messages."""

from spools.sentences import register_sentences

NO_ANSWER = (
    "No answer. Look at the address, and whether WEBHOOK_NETWORKS has it if it is in your own network."
)
ANSWERED = "Answered, but not accepted. Look for the reason in the log of the receiver."
FAILURES = {
    "delivery.channel_ended": "The channel was ended.",
    "delivery.superseded": "No longer due, or superseded by a later message.",
    "delivery.our_error": "Something is wrong on our side ({reason}).",
    # Not how and why: any account could learn from it what runs in the shop's network.
    "delivery.no_whole_answer": NO_ANSWER,
    "delivery.receiver_not_reached": NO_ANSWER,
    "delivery.receiver_refused": ANSWERED,
    "delivery.receiver_moved": ANSWERED,
    "delivery.receiver_failed": ANSWERED,
    "delivery.mail_not_set_up": "E-mail is not set up: set EMAIL_HOST and restart.",
    "delivery.mail_too_slow": "The mail server took longer than {deadline_s:g} s.",
    "delivery.mail_server_not_reached": "The mail server could not be reached ({reason}).",
    "delivery.address_refused": "The mail server refused the address ({status} {answer}).",
    "delivery.mail_refused": "The mail server refused the e-mail ({status} {answer}).",
    "delivery.sender_refused": "The mail server refused us ({status} {answer}): look at the settings of e-mail.",
    "delivery.push_keys": "The browser's keys or ours are of no use ({reason}).",
    "delivery.push_ended": "The browser has ended its subscription .",
    "delivery.push_failed": ANSWERED,
}
register_sentences(FAILURES)
