from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from maintenance import limits
from spools.models import Move, Opening, Place, Spool
from spools.models.facts import ValidManager, Withdrawable
from spools.models.statements import StatementField
from spools.models.versions import Retirable, RetirableQuerySet


class Printer(Retirable):
    """A machine. Its place (kind "printer") is where loaded spools stay and where its air is recorded."""

    name = models.CharField(_("name"), max_length=60, unique=True)
    place = models.OneToOneField(Place, models.PROTECT, related_name="printer")
    bed_max_c = models.FloatField(
        _("hottest bed, °C"), default=100, validators=limits.MACHINE_MAX_C.validators
    )
    enclosed = models.BooleanField(_("has an enclosure"), default=False)
    e_follows_g90 = models.BooleanField(
        _("G90 and G91 count for E, too"),
        default=True,
        help_text=_("How it understands a job file; machines differ. M82 and M83 settle it in most files."),
    )
    hour_rate = models.FloatField(
        _("cost of an hour"), null=True, blank=True, validators=limits.RATE.validators
    )
    power_w = models.FloatField(
        _("mean power while it prints, W"), null=True, blank=True, validators=limits.POWER_W.validators
    )

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class ToolheadQuerySet(RetirableQuerySet["Toolhead"]):
    def in_use(self) -> "ToolheadQuerySet":
        """Those that are in use on a printer in use."""
        return self.filter(retired_at=None, printer__retired_at=None)


class Toolhead(Retirable):
    """A hot end with its drive. Parts are fitted to it; a spool is loaded on it."""

    class Feed(models.TextChoices):
        DIRECT = "direct", _("drive on the toolhead")
        GUIDED = "guided", _("long guide tube")

    printer = models.ForeignKey(Printer, models.PROTECT, related_name="toolheads")
    name = models.CharField(max_length=40, default="T0")
    hot_end_max_c = models.FloatField(
        _("hottest hot end, °C"), default=300, validators=limits.MACHINE_MAX_C.validators
    )
    ptfe_lined = models.BooleanField(_("PTFE reaches into the hot end"), default=False)
    feed = models.CharField(max_length=10, choices=Feed, default=Feed.DIRECT)
    # Filament between drive and nozzle that cannot be fed when the spool ends.
    tail_mm = models.FloatField(default=150, validators=limits.TAIL_MM.validators)
    slots = models.PositiveSmallIntegerField(
        default=1,
        validators=limits.SLOTS.validators,
        help_text="spools that are loaded on it at once, as with a spool changer",
    )
    purge_g = models.FloatField(
        default=0,
        validators=limits.PURGE_G.validators,
        help_text="filament that the machine purges at each change of spool, beyond what the job file feeds",
    )
    board_generation = models.PositiveIntegerField(
        default=0,
        editable=False,
        help_text="raised by whoever adds a fact that its row of the board rests on",
    )

    objects = ToolheadQuerySet.as_manager()  # type: ignore[misc]

    class Meta:
        ordering = ["printer__name", "name"]
        constraints = [models.UniqueConstraint(fields=["printer", "name"], name="toolhead_once")]

    def __str__(self) -> str:
        return f"{self.printer.name} {self.name}"

    def name_slot(self, slot: int) -> str:
        """The toolhead, with the slot where it has several."""
        return (
            str(self)
            if self.slots == 1
            else gettext("{toolhead}, slot {slot}").format(toolhead=self, slot=slot)
        )


class LoadingQuerySet(models.QuerySet["Loading"]):
    def present(self) -> "LoadingQuerySet":
        """Spools that are on their toolhead now."""
        return self.filter(end=None, withdrawn_at=None)


class Loading(Withdrawable):
    """A spool on a toolhead, with the verdict that was shown before it was confirmed."""

    toolhead = models.ForeignKey(Toolhead, models.PROTECT, related_name="loadings")
    slot = models.PositiveSmallIntegerField(default=1, help_text="of the toolhead, from 1")
    spool = models.ForeignKey(Spool, models.PROTECT, related_name="loadings")
    start = models.DateTimeField()
    end = models.DateTimeField(null=True, blank=True, help_text="a cache: see maintenance/machines/stays.py")
    state = models.CharField(max_length=10, help_text="the verdict at loading: clear, caution or hold")
    reasons = models.JSONField(default=list, help_text="the checks behind it, as shown")
    override_reason = models.CharField(max_length=300, blank=True)
    cause = StatementField(
        null=True, blank=True, help_text="the act that it came with; none: loaded by itself"
    )
    fed_from = models.ForeignKey(
        Place,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="fed_loadings",
        help_text="the dry box or dryer in which it stays while it prints; none: at the printer",
    )
    move = models.ForeignKey(Move, models.PROTECT, related_name="+", help_text="by which it came there")
    unloading = models.ForeignKey(
        Move, models.PROTECT, null=True, related_name="+", help_text="by which somebody took it off"
    )
    opening = models.ForeignKey(
        Opening, models.PROTECT, null=True, related_name="+", help_text="of its bag, for this loading"
    )
    objects = ValidManager.from_queryset(LoadingQuerySet)()  # type: ignore[misc,assignment]
    recorded = LoadingQuerySet.as_manager()

    class Meta:
        ordering = ["start", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["toolhead", "slot"],
                condition=Q(end__isnull=True, withdrawn_at__isnull=True),
                name="one_spool_in_a_slot",
            ),
            models.UniqueConstraint(
                fields=["spool"],
                condition=Q(end__isnull=True, withdrawn_at__isnull=True),
                name="spool_on_one_toolhead",
            ),
            models.CheckConstraint(
                condition=Q(end__isnull=True) | Q(end__gte=F("start")), name="loading_ends_after_start"
            ),
            models.CheckConstraint(
                condition=~Q(state="hold") | ~Q(override_reason="") | Q(cause__isnull=False),
                name="hold_needs_a_reason",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.spool_id} on {self.toolhead_id} from {self.start:%Y-%m-%d %H:%M}"

    @property
    def site(self) -> str:
        """The toolhead and slot in words."""
        return self.toolhead.name_slot(self.slot)
