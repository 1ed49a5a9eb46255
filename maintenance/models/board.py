"""The board of toolheads: one row of answers for each, rebuildable from the facts."""

from django.db import models

from .machines import Toolhead


class ToolheadBoard(models.Model):
    """The state of a toolhead as of ``computed_at``; written by maintenance/board alone.

    A row is fresh while ``generation`` is that of its toolhead and ``good_until`` lies ahead.
    """

    toolhead = models.OneToOneField(Toolhead, models.CASCADE, primary_key=True, related_name="board")
    generation = models.PositiveIntegerField(help_text="of the toolhead before its facts were read")
    computed_at = models.DateTimeField()
    good_until = models.DateTimeField(db_index=True, help_text="from then on time alone makes it stale")
    inputs_json = models.BinaryField(help_text="the ToolheadInputs of the readiness rules")
    materials_json = models.BinaryField(help_text="a MaterialState for each feedstock in use, by its id")
    upkeep_json = models.BinaryField(help_text="its Upkeep: maintenance/board/upkeep.py")

    class Meta:
        verbose_name_plural = "board of toolheads"

    def __str__(self) -> str:
        return f"{self.toolhead_id} at {self.computed_at:%Y-%m-%d %H:%M}"
