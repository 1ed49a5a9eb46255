"""Prices and rates: of a spool, of power, of a machine's hour. They are assumptions, without a time."""

from collections.abc import Mapping

from django.db import transaction

from maintenance import limits
from maintenance.models import CostRates, Printer
from spools.checks import require_within
from spools.edits.versions import count_edit


@transaction.atomic
def save_rates(rates: CostRates, machines: Mapping[int, tuple[float | None, float | None]]) -> CostRates:
    """Stores the shop's rates, and of printers by id: the rate of an hour and the power in W.

    Raises ValidationError on numbers that cannot be, EditedMeanwhile where somebody else stored others.
    """
    stored = CostRates.objects.filter(pk=CostRates.ONLY).exists()
    rates._state.adding = not stored
    count_edit(rates)
    rates.full_clean()
    rates.save(force_insert=not stored)
    for pk, (hour_rate, power_w) in machines.items():
        for name, value, bounds in (
            ("hour_rate", hour_rate, limits.RATE),
            ("power_w", power_w, limits.POWER_W),
        ):
            if value is not None:
                require_within(name, value, *bounds)
        for printer in Printer.objects.filter(pk=pk).exclude(hour_rate=hour_rate, power_w=power_w):
            printer.hour_rate, printer.power_w = hour_rate, power_w
            printer.save(update_fields=["hour_rate", "power_w"])
    return rates
