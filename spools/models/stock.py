"""Spools and the grams on them."""

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from spools import limits

from .catalogue import Feedstock
from .facts import Recorded, Withdrawable, WithdrawableQuerySet
from .statements import StatementField
from .versions import Versioned


class Spool(Versioned):
    """One physical reel with a label. Facts beside it record the changes of its life.

    version: counts the corrections of its reel.
    """

    class CoreMaterial(models.TextChoices):
        UNKNOWN = "unknown", _("not known")
        POLYSTYRENE = "polystyrene", _("polystyrene")
        ABS = "abs", _("ABS")
        PP = "pp", _("polypropylene")
        PC = "pc", _("polycarbonate")
        PET = "pet", _("recycled PET or PETG")
        PLA = "pla", _("printed, or PLA")
        CARDBOARD = "cardboard", _("cardboard")

    class Card(models.TextChoices):
        """The humidity indicator card in the bag, as seen at opening."""

        NOT_LOOKED = "unknown", _("not looked at")
        DRY = "dry", _("dry")
        WET = "wet", _("wet")
        MISSING = "missing", _("no card in the bag")

    code = models.CharField(max_length=8, unique=True)
    feedstock = models.ForeignKey(Feedstock, models.PROTECT, related_name="spools")
    batch = models.CharField(max_length=60, blank=True)
    price = models.DecimalField(
        max_digits=8,
        decimal_places=2,
        null=True,
        blank=True,
        validators=[MinValueValidator(0)],
        help_text=_("paid for all of it"),
    )
    core_mass_g = models.FloatField(validators=limits.CORE_G.validators)
    core_mass_band_g = models.FloatField(default=0, help_text="plus or minus; small when weighed")
    core_mass_known = models.BooleanField(default=False, help_text="weighed or printed on the reel")
    core_material = models.CharField(max_length=20, choices=CoreMaterial, default=CoreMaterial.UNKNOWN)
    core_cap_c = models.FloatField(null=True, blank=True, help_text="the reel's own limit, where stated")
    core_radius_mm = models.FloatField(validators=limits.CORE_RADIUS_MM.validators)
    width_mm = models.FloatField(validators=limits.WIDTH_MM.validators)
    sealed = models.BooleanField(default=True, help_text="came in an unbroken bag")
    card = models.CharField(max_length=10, choices=Card, default=Card.NOT_LOOKED)
    received_at = models.DateTimeField(default=timezone.now)
    # A cache of its valid ending.
    ended_at = models.DateTimeField(null=True, blank=True, editable=False)
    # A cache of its valid respoolings: their times, as text.
    respooled_at = models.JSONField(default=list, blank=True, editable=False)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True)
    # Raised when its computed moisture is invalidated (spools/invalidation.py).
    cache_generation = models.PositiveIntegerField(default=0, editable=False)

    class Meta:
        ordering = ["-received_at", "-id"]

    def __str__(self) -> str:
        return self.code


class Opening(Withdrawable):
    """A person states that the bag was opened in which a spool came. Use of the spool opens it by itself."""

    spool = models.ForeignKey(Spool, models.PROTECT, related_name="openings")
    at = models.DateTimeField()
    card = models.CharField(max_length=10, choices=Spool.Card, default=Spool.Card.NOT_LOOKED)
    card_before = models.CharField(max_length=10, choices=Spool.Card, help_text="of the spool until then")
    note = models.CharField(max_length=200, blank=True)
    cause = StatementField(
        null=True, blank=True, help_text="the act that it came with; none: recorded by itself"
    )

    class Meta:
        ordering = ["at", "id"]

    def __str__(self) -> str:
        return f"{self.spool_id} opened {self.at:%Y-%m-%d %H:%M}"


class Ending(Withdrawable):
    """A spool left the shop's use. Withdrawn, the spool goes on from its facts."""

    class Kind(models.TextChoices):
        EMPTY = "empty", _("used up")
        GIVEN_AWAY = "given_away", _("given away")
        THROWN_AWAY = "thrown_away", _("thrown away")
        LOST = "lost", _("lost")
        MISTAKE = "mistake", _("never here: received by mistake")

    spool = models.ForeignKey(Spool, models.PROTECT, related_name="endings")
    kind = models.CharField(max_length=12, choices=Kind)
    at = models.DateTimeField()
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["spool"], condition=models.Q(withdrawn_at__isnull=True), name="spool_ends_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.spool_id} {self.kind} {self.at:%Y-%m-%d %H:%M}"


class Respooling(Withdrawable):
    """All of a spool was wound onto another reel, whose numbers are the spool's from then on. before: the former's."""

    spool = models.ForeignKey(Spool, models.PROTECT, related_name="respoolings")
    at = models.DateTimeField()
    before = models.JSONField()
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["at", "id"]

    def __str__(self) -> str:
        return f"{self.spool_id} wound onto another reel {self.at:%Y-%m-%d %H:%M}"


class SpoolCorrection(Recorded):
    """What was entered of a spool as it came, or of its reel, was wrong and is another now.

    changes: [field, value before, value after] of each, as text.
    """

    spool = models.ForeignKey(Spool, models.PROTECT, related_name="corrections")
    changes = models.JSONField()
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["recorded_at", "id"]

    def __str__(self) -> str:
        return f"{self.spool_id} corrected {self.recorded_at:%Y-%m-%d %H:%M}"


class MassEntryQuerySet(WithdrawableQuerySet["MassEntry"]):
    def valid(self) -> "MassEntryQuerySet":
        return self.filter(withdrawn_at__isnull=True)

    def amounts(self) -> "MassEntryQuerySet":
        """For computations, which load very many: without who recorded them, when, and why."""
        return self.only(
            "spool", "kind", "at", "net_change_g", "gross_g", "resolution_g", "core_mass_g", "core_band_g"
        )


class MassEntry(Withdrawable):
    """A fact about grams: received, printed, cut or weighed. Never changed, only added or withdrawn.

    ``net_change_g`` is for entries that move filament (received, printed, removed, moved, joined); ``gross_g`` for
    weighings: reel, filament and water together. A printed one is withdrawn with its job or flow check.
    """

    class Kind(models.TextChoices):
        RECEIVED = "received", _("received")
        WEIGHED = "weighed", _("weighed")
        PRINTED = "printed", _("printed")
        REMOVED = "removed", _("cut off by hand")
        MOVED = "moved", _("joined onto another spool")
        JOINED = "joined", _("joined from another spool")

    spool = models.ForeignKey(Spool, models.PROTECT, related_name="mass_entries")
    kind = models.CharField(max_length=10, choices=Kind)
    at = models.DateTimeField()
    net_change_g = models.FloatField(null=True, blank=True)
    gross_g = models.FloatField(null=True, blank=True)
    resolution_g = models.FloatField(default=1.0, help_text="the scale's smallest step")
    # Of a weighing on a reel from which the spool was wound onto another since, and its uncertainty.
    core_mass_g = models.FloatField(null=True, blank=True, editable=False)
    core_band_g = models.FloatField(null=True, blank=True, editable=False)
    note = models.CharField(max_length=200, blank=True)
    cause = StatementField(
        null=True, blank=True, help_text="the act that it came with; none: recorded by itself"
    )

    objects = MassEntryQuerySet.as_manager()  # type: ignore[misc]

    class Meta:
        ordering = ["at", "id"]
        indexes = [models.Index(fields=["spool", "at"])]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(kind="weighed", gross_g__isnull=False, net_change_g__isnull=True)
                | (~models.Q(kind="weighed") & models.Q(gross_g__isnull=True, net_change_g__isnull=False)),
                name="mass_entry_one_number",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.spool_id} {self.kind} {self.at:%Y-%m-%d %H:%M}"


class Joining(Withdrawable):
    """Filament of one spool was joined onto another: the entry that took it from the one, and that of the other."""

    taken = models.OneToOneField(MassEntry, models.PROTECT, related_name="joining_from")
    added = models.OneToOneField(MassEntry, models.PROTECT, related_name="joining_to")
    at = models.DateTimeField()
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["at", "id"]

    def __str__(self) -> str:
        return f"{self.added} from {self.taken}"
