"""A printer comes into the shop."""

from django.db import transaction

from spools.corrections import save_place
from spools.models import Place

from .models import Printer, Toolhead


@transaction.atomic
def add_printer(
    printer: Printer, toolhead: Toolhead, *, assumed_temperature_c: float, assumed_rh_pct: float
) -> Printer:
    """Keep a new printer with its place (where its spools stay) and its first toolhead.

    The climate is what is assumed there while nothing is read.
    Raises ValidationError on fields that cannot be.
    """
    printer.place = save_place(
        Place(
            name=printer.name,
            kind=Place.Kind.PRINTER,
            assumed_temperature_c=assumed_temperature_c,
            assumed_rh_pct=assumed_rh_pct,
        )
    )
    printer.full_clean()
    printer.save(force_insert=True)
    add_toolhead(printer, toolhead)
    return printer


def add_toolhead(printer: Printer, toolhead: Toolhead) -> Toolhead:
    """Keep a new toolhead of a printer. Raises ValidationError on fields that cannot be."""
    toolhead.printer = printer
    toolhead.full_clean()
    toolhead.save(force_insert=True)
    return toolhead
