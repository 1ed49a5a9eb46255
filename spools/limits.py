"""Limits of the numbers that people enter: forms, serializers, models, constraints and acts share them.

Most are no judgement: they are far beyond what a shop has and catch slips of the keyboard (from memory).
"""

from typing import Any, NamedTuple

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from spools.wording import format_significant


class Limits(NamedTuple):
    """The lowest and the highest value that are allowed, both included, and their unit."""

    low: float
    high: float
    unit: str

    def refuse(self, value: Any) -> str:
        """The refusal of a number outside."""
        high = f"{format_significant(self.high, 7)} {_(self.unit)}".rstrip()
        return _("Give a number between {low} and {high}; got {value}.").format(
            low=format_significant(self.low, 7), high=high, value=value
        )

    @property
    def validators(self) -> list[Any]:
        """For a field of a model."""
        return [MinValueValidator(self.low), MaxValueValidator(self.high)]

    @property
    def bounds(self) -> dict[str, Any]:
        """For a field of a form or a serializer."""
        return {"min_value": self.low, "max_value": self.high}

    def condition(self, field: str) -> Q:
        """For a constraint."""
        return Q(**{f"{field}__gte": self.low, f"{field}__lte": self.high})


# Filament: received on a spool, printed or cut off, needed for a print that is planned.
NET_G = Limits(1, 10_000, "g")
TAKEN_G = Limits(0.001, NET_G.high, "g")
NEEDED_G = Limits(0.1, NET_G.high, "g")
SCALE_STEP_G = Limits(0.001, 100, "g")
# The holder under which a scale is, or its tray.
SCALE_TARE_G = Limits(0, 20_000, "g")
# As a scale sends it, in its own unit; the books check it for its spool.
SENT_MASS = Limits(-50_000, 50_000, "")
# Spools that are received together.
ALIKE = Limits(1, 100, "")

# Reels.
CORE_G = Limits(0, 3000, "g")
CORE_ERROR_G = Limits(0, 1000, "g")
CORE_CAP_C = Limits(30, 300, "°C")
CORE_RADIUS_MM = Limits(5, 200, "mm")
WIDTH_MM = Limits(5, 300, "mm")
# A spool with its reel on the scale; how much exactly depends on its reel.
GROSS_G = Limits(0, NET_G.high + CORE_G.high + CORE_ERROR_G.high, "g")

# Drying.
SET_POINT_C = Limits(20, 200, "°C")
RUN_HOURS = Limits(0.1, 500, "h")
TARGET_PCT = Limits(0.0001, 30, "%")
COUPON_C = Limits(30, 200, "°C")
DRYER_MAX_C = Limits(30, 200, "°C")
SET_POINT_ERROR_K = Limits(0, 30, "K")
AIR_FLOW_L_MIN = Limits(0.01, 1000, "l/min")
DEW_POINT_C = Limits(-80, 20, "°C")
SPOOL_CAPACITY = Limits(1, 100, "")

# Air, and dry boxes with their desiccant.
TEMPERATURE_C = Limits(-20, 150, "°C")
RH_PCT = Limits(0, 100, gettext_noop("% RH"))
BATTERY_PCT = Limits(0, 100, "%")
SALT_CHECK_C = Limits(5, 50, "°C")
SALT_CHECK_HOURS = Limits(2, 500, "h")
BOX_RH_PCT = Limits(1, 90, "% RH")
BOX_VOLUME_L = Limits(0.5, 5000, "l")
HALF_TIME_H = Limits(0.1, 20_000, "h")
AIR_CHANGES_DAY = Limits(0.001, 200, "")
SACHET_G = Limits(0, 500, "g")
DESICCANT_G = Limits(0, 50_000, "g")
REGENERATION_C = Limits(40, 500, "°C")

# Feedstocks.
DIAMETER_MM = Limits(1.0, 3.2, "mm")
FILLER_FRACTION = Limits(0, 0.9, "")
MATERIAL = {
    "density_g_cm3": Limits(0.3, 12, "g/cm³"),
    "softening_c": Limits(25, 400, "°C"),
    "dry_cap_c": Limits(25, 250, "°C"),
    "dry_set_c": Limits(25, 250, "°C"),
    "w50_pct": Limits(0.0001, 30, "%"),
    "d23_m2_s": Limits(1e-17, 1e-8, "m²/s"),
    "limit_clear_pct": Limits(0.0001, 20, "%"),
    "limit_hold_pct": Limits(0.0001, 20, "%"),
    "nozzle_min_c": Limits(100, 600, "°C"),
    "nozzle_max_c": Limits(100, 600, "°C"),
    "bed_min_c": Limits(0, 300, "°C"),
    "bed_max_c": Limits(0, 300, "°C"),
}
