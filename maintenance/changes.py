"""Facts changed: whatever follows from them is brought up to date after the commit.

Modules that record facts call ``facts_changed``; modules above them listen, so that recording a print knows
nothing of reminders.
"""

import threading

from django.db import transaction
from django.dispatch import Signal

PARTS, FLOW, STOCK, SERVICE = "parts", "flow", "stock", "service"
# Sent after the commit with ``subjects``, a frozenset of the names above. A receiver that fails is logged and
# changes nothing for whoever recorded the fact; the periodic work makes good what was missed.
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
