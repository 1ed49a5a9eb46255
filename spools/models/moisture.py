from django.db import models

from .places import Place
from .stock import Spool


class MoistureState(models.Model):
    """A checkpoint of the computed moisture: a cache, rebuildable from the facts with the same result.

    Kept at canonical times only (see spools/exposure.py), so that a rebuild takes the same steps.
    A fact that arrives late deletes the checkpoints after it.
    """

    spool = models.ForeignKey(Spool, models.CASCADE, related_name="moisture_states")
    at = models.DateTimeField()
    model_version = models.PositiveSmallIntegerField()
    memory = models.BinaryField(
        help_text="the winding's state for all members, see spools/physics/winding.py"
    )
    exposure_hours = models.FloatField(help_text="hours outside dry storage since the last complete drying")
    dry_hours = models.FloatField(
        default=0.0, help_text="hours in measured dry storage since the last exposure"
    )
    heat_hours = models.FloatField(default=0.0, help_text="hours in dryers over the spool's life")
    basis = models.CharField(
        max_length=16,
        default="",
        help_text="fingerprint of the assumptions computed with; a changed one makes the checkpoint useless",
    )

    class Meta:
        ordering = ["at"]
        constraints = [models.UniqueConstraint(fields=["spool", "at"], name="checkpoint_once")]

    def __str__(self) -> str:
        return f"{self.spool_id} at {self.at:%Y-%m-%d %H:%M}"


class Ensemble(models.Model):
    """What a spool's weighings have made of the members of its ensemble: a cache, rebuildable.

    Spools that were never weighed have none; their members follow from the code and the catalogue alone.
    """

    spool = models.OneToOneField(Spool, models.CASCADE, related_name="ensemble")
    model_version = models.PositiveSmallIntegerField()
    last_at = models.DateTimeField(help_text="the last weighing that is in it")
    basis = models.CharField(max_length=16, help_text="fingerprint of the weighings and what is assumed")
    points = models.BinaryField(help_text="the members, see spools/physics/evidence.py")
    divided = models.JSONField(help_text="how the last weighing divides into filament, water and reel, kg")

    def __str__(self) -> str:
        return f"{self.spool_id} weighed until {self.last_at:%Y-%m-%d %H:%M}"


class OuterTurns(models.Model):
    """What a spool's outer turns hold, for reminders that look at all spools: a cache, rebuildable.

    Written as checkpoints are. Deleted by any fact about the spool itself, whenever it happened, and by late
    ones about its air. So until then the spool stands as it did, and beside it is kept how: in which place,
    with what on the reel, its bag opened or not, and what was assumed so far. With that its facts need not be
    loaded to go on from a checkpoint after the last of them. Not so in a drying run: its stages change.
    """

    spool = models.OneToOneField(Spool, models.CASCADE, related_name="outer_turns")
    at = models.DateTimeField()
    assumed = models.CharField(max_length=16, help_text="fingerprint of the shop's assumptions")
    over_clear = models.FloatField(help_text="share of the members above what prints well")
    p10_pct = models.FloatField()
    p50_pct = models.FloatField()
    p90_pct = models.FloatField()
    place = models.ForeignKey(Place, models.CASCADE, null=True, related_name="+")
    last_fact_at = models.DateTimeField(null=True)
    winding_g = models.FloatField(null=True, help_text="filament and water on the reel")
    opened = models.BooleanField(default=True)
    before = models.CharField(
        max_length=16,
        default="",
        help_text="fingerprint of what is assumed, but for the air of a dry box now",
    )
    members = models.CharField(max_length=16, default="", help_text="fingerprint of its weighings")

    class Meta:
        verbose_name_plural = "outer turns"

    def __str__(self) -> str:
        return f"{self.spool_id} at {self.at:%Y-%m-%d %H:%M}: {self.p50_pct:.2g} %"
