"""How long a spool stays good where it lies, in words."""

from datetime import datetime

from django.utils.translation import gettext as _

from spools.air.hourly import HOUR
from spools.drying.advice_wording import format_both_times, format_hours_ahead
from spools.models import SpoolBoard
from spools.wording import choose_by_chance


def format_lasts(row: SpoolBoard, now: datetime) -> str:
    """How long a spool prints well and stays printable in the place where it lies, as a sentence."""
    well_h, printable_h = _hours_ahead(row.prints_well_until, now), _hours_ahead(row.printable_until, now)
    if printable_h == 0 and row.place:
        return choose_by_chance(
            row.over_hold,
            _("In {place} it is over its print limit."),
            _("In {place} it is probably over its print limit."),
            _("In {place} it may already be over its print limit."),
        ).format(place=row.place)
    where = _("In {place}").format(place=row.place) if row.place else _("Where it is")
    return format_both_times(well_h, printable_h, where)


def format_lasts_shortly(row: SpoolBoard, now: datetime) -> tuple[str, str]:
    """The same in some words, and their key."""
    if row.run_id is not None:
        return "in_a_run", _("in a drying run")
    well_h, printable_h = _hours_ahead(row.prints_well_until, now), _hours_ahead(row.printable_until, now)
    if printable_h == 0:
        return "over_print_limit", choose_by_chance(
            row.over_hold,
            _("over its print limit"),
            _("probably over its print limit"),
            _("may be over its print limit"),
        )
    if well_h == 0:
        return "printable", _("printable for {time}").format(time=format_hours_ahead(printable_h))
    return "prints_well", _("prints well for {time}").format(time=format_hours_ahead(well_h))


def _hours_ahead(until: datetime | None, now: datetime) -> float | None:
    return None if until is None else max(0.0, (until - now) / HOUR)
