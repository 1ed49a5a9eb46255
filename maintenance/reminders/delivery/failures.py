"""The words of failed and expired messages."""

from spools.sentences import register_sentences

FAILURES = {
    "delivery.channel_ended": "The channel was ended.",
    "delivery.superseded": "No longer due, or superseded by a later message.",
    "delivery.our_error": "Something is wrong on our side ({reason}).",
    "delivery.no_whole_answer": "There was no whole answer within {deadline_s:g} s.",
    "delivery.receiver_not_reached": "The receiver could not be reached ({reason}).",
    "delivery.receiver_refused": "The receiver refused it (HTTP {status}). Look for the reason in its log.",
    "delivery.receiver_moved": "The receiver answered HTTP {status}. It points elsewhere, which is not followed: give "
    "the new address.",
    "delivery.receiver_failed": "The receiver answered HTTP {status}.",
    "delivery.mail_not_set_up": "E-mail is not set up: set EMAIL_HOST and restart.",
    "delivery.mail_too_slow": "The mail server took longer than {deadline_s:g} s.",
    "delivery.mail_server_not_reached": "The mail server could not be reached ({reason}).",
    "delivery.address_refused": "The mail server refused the address ({status} {answer}).",
    "delivery.mail_refused": "The mail server refused the e-mail ({status} {answer}).",
    "delivery.sender_refused": "The mail server refused us ({status} {answer}): look at the settings of e-mail.",
    "delivery.push_keys": "The browser's keys or ours are of no use ({reason}).",
    "delivery.push_ended": "The browser has ended its subscription (HTTP {status}).",
    "delivery.push_failed": "The push service answered HTTP {status}.",
}
register_sentences(FAILURES)
