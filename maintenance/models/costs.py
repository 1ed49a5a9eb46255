"""What a shop pays for power, and in which money it counts."""

from django.core.validators import RegexValidator
from django.db import models
from django.utils.translation import gettext_lazy as _

from maintenance import limits
from spools.models.versions import Versioned

money = RegexValidator(r"^[A-Z]{3}$", _("Give the three capital letters of the currency, such as EUR."))


class CostRates(Versioned):
    """The one row of a shop's rates. Those of a machine are beside the machine."""

    ONLY = 1

    currency = models.CharField(
        _("currency"),
        max_length=3,
        blank=True,
        validators=[money],
        help_text="three letters, ISO 4217, such as EUR",
    )
    energy_per_kwh = models.FloatField(
        _("power, for each kWh"), null=True, blank=True, validators=limits.RATE.validators
    )

    class Meta:
        verbose_name_plural = "cost rates"
        constraints = [models.CheckConstraint(condition=models.Q(pk=1), name="cost_rates_are_one_row")]

    def __str__(self) -> str:
        return f"rates in {self.currency}" if self.currency else "rates"
