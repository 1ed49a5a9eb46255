"""Reports changed facts: reminders follow after the commit, the board of toolheads is stale with it.

Modules that record facts call ``facts_changed`` and ``toolheads_changed``; modules above them connect to
``facts_committed``. So the modules of facts import nothing of reminders and of the board.
"""

import threading
from typing import Any

from django.db import transaction
from django.db.models import F, Q
from django.dispatch import Signal

from background.queue import enqueue
from maintenance.models import Printer, Toolhead

SUBJECTS = PARTS, FLOW, STOCK, SERVICE = "parts", "flow", "stock", "service"
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


def toolheads_changed(which: Q | None = None) -> None:
    """Make the rows of these toolheads on the board stale, in the caller's transaction, and wake the worker.

    Without a condition all of them: for a kind of part or service, whose numbers concern every machine.
    """
    toolheads = Toolhead.objects.all() if which is None else Toolhead.objects.filter(which)
    toolheads.update(board_generation=F("board_generation") + 1)
    enqueue("maintenance.refresh_board", singleton_key="maintenance.refresh_board")


def material_saved(created: bool, **_: Any) -> None:
    """A receiver of post_save: services and leftovers on the board rest on the numbers of materials."""
    if not created:
        toolheads_changed()


def spool_saved(update_fields: frozenset[str] | None = None, **_: Any) -> None:
    """A receiver of post_save: another feedstock of a spool changes what its toolheads printed."""
    if update_fields and "feedstock" in update_fields:
        toolheads_changed()
        facts_changed(PARTS, FLOW, SERVICE)


def machine_saved(instance: Printer | Toolhead, **_: Any) -> None:
    """A receiver of post_save: the limits of a machine are edited in the API and the admin, too."""
    toolheads_changed(Q(printer=instance) if isinstance(instance, Printer) else Q(pk=instance.pk))
