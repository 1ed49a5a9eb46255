"""Reports changed facts after their commit.

Modules that record facts call ``facts_changed``; modules above them connect to ``facts_committed``. So the modules
of facts import nothing of reminders.
"""

import threading

from django.db import transaction
from django.dispatch import Signal

PARTS, FLOW, STOCK, SERVICE = "parts", "flow", "stock", "service"
# Sent after the commit with ``subjects``, a frozenset of the names above. The error of a receiver is logged and
# refuses no fact; the periodic sweep makes good for it.
facts_committed = Signal()


class _Pending(threading.local):
    def __init__(self) -> None:
        self.subjects: set[str] = set()


_pending = _Pending()


def facts_changed(*subjects: str) -> None:
    """Report that facts about these subjects change in the caller's transaction.

    Several reports of one transaction are sent as one. After a rollback the subjects stay pending, which
    costs one needless sweep with the next commit.
    """
    _pending.subjects.update(subjects)
    transaction.on_commit(_send, robust=True)


def _send() -> None:
    subjects, _pending.subjects = frozenset(_pending.subjects), set()
    if subjects:
        facts_committed.send_robust(sender=None, subjects=subjects)
