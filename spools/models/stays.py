"""Where spools are: moves, which are facts, and the stays that follow from them."""

from django.db import models
from django.db.models import F, Q

from .facts import Withdrawable
from .places import Place
from .stock import Spool


class Move(Withdrawable):
    """A fact: a spool came to a place. It stays there until its next move.

    until: when it was back where it had been before, for a past stay between two others; empty otherwise.
    """

    spool = models.ForeignKey(Spool, models.PROTECT, related_name="moves")
    place = models.ForeignKey(Place, models.PROTECT, related_name="+")
    at = models.DateTimeField()
    until = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["at", "id"]
        indexes = [models.Index(fields=["spool", "at"])]
        constraints = [
            models.CheckConstraint(
                condition=Q(until__isnull=True) | Q(until__gt=F("at")), name="past_stay_ends_after_start"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.spool_id} to {self.place_id} at {self.at:%Y-%m-%d %H:%M}"


class Stays(models.QuerySet["Stay"]):
    def spans(self) -> "Stays":
        """For computations, which load very many: without the moves that they follow from."""
        return self.only("spool", "place", "start", "end")


class Stay(models.Model):
    """A spool in a place without a break: a cache of its moves (``manage.py rebuild``).

    move: the one by which it came, or came back.
    """

    spool = models.ForeignKey(Spool, models.PROTECT, related_name="stays")
    place = models.ForeignKey(Place, models.PROTECT, related_name="stays")
    start = models.DateTimeField()
    end = models.DateTimeField(null=True, blank=True)
    move = models.ForeignKey(Move, models.PROTECT, related_name="+")

    objects = Stays.as_manager()

    class Meta:
        # Not by id: stays that were derived again have others.
        ordering = ["start", "spool_id"]
        constraints = [
            models.UniqueConstraint(fields=["spool", "start"], name="stay_starts_once"),
            models.UniqueConstraint(
                fields=["spool"], condition=Q(end__isnull=True), name="spool_in_one_place"
            ),
            models.CheckConstraint(
                condition=Q(end__isnull=True) | Q(end__gt=F("start")), name="stay_ends_after_start"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.spool_id} in {self.place_id} from {self.start:%Y-%m-%d %H:%M}"
