"""Caches of the computed moisture: rebuildable from the facts, deleted by spools/invalidation.py."""

from django.db import models

from .stock import Spool


class CacheVersion(models.Model):
    """The version of the physics that all caches were computed with: a single row.

    advice_generation: raised by whoever changes what any spool's advice may rest on, see spools/invalidation.py.
    """

    model_version = models.PositiveSmallIntegerField()
    advice_generation = models.PositiveIntegerField(default=0)

    def __str__(self) -> str:
        return str(self.model_version)


class MoistureState(models.Model):
    """A checkpoint of the computed moisture.

    Stored at canonical times only (see spools/moisture/history.py), so that a rebuild takes the same steps.
    It rests on the members of the spool's ensemble: where that changes, all checkpoints are deleted.
    """

    spool = models.ForeignKey(Spool, models.CASCADE, related_name="moisture_states")
    at = models.DateTimeField()
    memory = models.BinaryField(
        help_text="the winding's state for all members, see spools/physics/winding.py"
    )
    exposure_hours = models.FloatField(help_text="hours outside dry storage since the last complete drying")
    dry_hours = models.FloatField(default=0.0, help_text="hours in dry storage since the last exposure")
    heat_hours = models.FloatField(default=0.0, help_text="hours in dryers over the spool's life")

    class Meta:
        ordering = ["at"]
        constraints = [models.UniqueConstraint(fields=["spool", "at"], name="checkpoint_once")]

    def __str__(self) -> str:
        return f"{self.spool_id} at {self.at:%Y-%m-%d %H:%M}"


class MoisturePoint(models.Model):
    """The moisture of the outer turns at each of the times of checkpoints in the last days, for charts.

    Of a small job, % by mass. It is stored and deleted with the checkpoints.
    """

    spool = models.ForeignKey(Spool, models.CASCADE, related_name="moisture_points")
    at = models.DateTimeField()
    p10_pct = models.FloatField()
    p50_pct = models.FloatField()
    p90_pct = models.FloatField()

    class Meta:
        ordering = ["at"]
        constraints = [models.UniqueConstraint(fields=["spool", "at"], name="moisture_point_once")]

    def __str__(self) -> str:
        return f"{self.spool_id} at {self.at:%Y-%m-%d %H:%M}: {self.p50_pct:.3g} %"


class Ensemble(models.Model):
    """The members of a spool's ensemble as its weighings moved them.

    Spools that were never weighed have none; their members follow from their Prior.
    """

    spool = models.OneToOneField(Spool, models.CASCADE, related_name="ensemble")
    last_at = models.DateTimeField(help_text="the last weighing that is in it")
    names = models.JSONField(help_text="of the numbers of the members")
    points = models.BinaryField(help_text="the members, see spools/physics/evidence.py")
    divided = models.JSONField(help_text="how the last weighing divides into filament, water and reel, kg")

    def __str__(self) -> str:
        return f"{self.spool_id} weighed until {self.last_at:%Y-%m-%d %H:%M}"


class SpoolLesson(models.Model):
    """The knowledge that the first weighings of a spool, 2, 4, 8 and so on, pass on to spools that come later."""

    spool = models.ForeignKey(Spool, models.CASCADE, related_name="lessons")
    weighings = models.PositiveSmallIntegerField()
    last_at = models.DateTimeField(help_text="the last of these weighings")
    numbers = models.BinaryField(help_text="see spools/physics/lessons.py")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["spool", "weighings"], name="lesson_once")]

    def __str__(self) -> str:
        return f"{self.spool_id} weighed {self.weighings} times"


class Prior(models.Model):
    """The knowledge that a spool started with, from spools of its feedstock weighed before it came."""

    spool = models.OneToOneField(Spool, models.CASCADE, primary_key=True, related_name="prior")
    spools = models.PositiveSmallIntegerField(help_text="that taught it; 0: it has that of the catalogue")
    knowledge = models.BinaryField(help_text="see spools/moisture/feedstock_lessons.py; empty without them")

    def __str__(self) -> str:
        return f"{self.spool_id} taught by {self.spools}"
