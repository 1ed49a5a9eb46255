from django.db import models
from django.utils.translation import gettext_lazy

from spools.models.facts import Withdrawable

from .jobs import Job
from .machines import Printer


class PrinterEvent(Withdrawable):
    """An event of a print, as the program on a printer's host reported it. Sent twice, it is stored once.

    The steps of a job follow from the events of its print (maintenance/jobs/projection.py), and with them job, state
    and errors. A refused one is no fact: it is stored to be shown, and the right one takes its row.
    """

    class Kind(models.TextChoices):
        PLANNED = "planned", gettext_lazy("planned")
        STARTED = "started", gettext_lazy("started")
        PROGRESS = "progress", gettext_lazy("progress")
        PAUSED = "paused", gettext_lazy("paused")
        RESUMED = "resumed", gettext_lazy("resumed")
        RAN_OUT = "ran_out", gettext_lazy("filament ran out")
        SPOOL_CHANGED = "spool_changed", gettext_lazy("another spool")
        FINISHED = "finished", gettext_lazy("finished")
        FAILED = "failed", gettext_lazy("failed")
        STOPPED = "stopped", gettext_lazy("stopped")

    class State(models.TextChoices):
        RECORDED = "recorded", gettext_lazy("recorded")
        WAITING = "waiting", gettext_lazy("waits")
        BY_HAND = "by_hand", gettext_lazy("does not act")
        REFUSED = "refused", gettext_lazy("refused")

    printer = models.ForeignKey(Printer, models.PROTECT, related_name="events")
    key = models.CharField(max_length=100, help_text="the sender's own id of the event")
    print_key = models.CharField(max_length=100, help_text="the host's own id of the print")
    kind = models.CharField(max_length=20, choices=Kind)
    at = models.DateTimeField(help_text="by the clock of this service")
    sender_at = models.DateTimeField(help_text="by the clock of the sender")
    values = models.JSONField(default=dict, help_text="what else it says")
    token = models.ForeignKey("access.Token", models.SET_NULL, null=True, related_name="+")
    job = models.ForeignKey(Job, models.SET_NULL, null=True, related_name="printer_events")
    state = models.CharField(max_length=10, choices=State, default=State.WAITING)
    errors = models.JSONField(default=list, help_text="field, code and message of each reason to wait")

    class Meta:
        ordering = ["-recorded_at", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["printer", "key"], name="printer_event_once"),
        ]
        indexes = [
            models.Index(fields=["printer", "print_key"], name="printer_event_print"),
            models.Index(
                fields=["printer", "state"],
                name="printer_event_open",
                condition=models.Q(state__in=["waiting", "refused", "by_hand"], withdrawn_at=None),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {self.printer}, {self.print_key}"
