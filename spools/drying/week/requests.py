"""Print requests: filament that must be good to print by a time in the coming week."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.translation import gettext as _

from spools import limits
from spools.checks import require_within
from spools.codes import pretty
from spools.drying.week.slots import LONGEST_AHEAD
from spools.facts import follows_withdrawal
from spools.invalidation import invalidate_advice
from spools.models import Feedstock, Polymer, PrintRequest, Spool
from spools.refusals import refusal
from spools.wording import format_time


def open_requests() -> QuerySet[PrintRequest]:
    """The requests on the list, the earliest due first."""
    return PrintRequest.objects.filter(withdrawn_at=None).select_related(
        "spool__feedstock__maker", "feedstock__maker", "feedstock__polymer", "polymer"
    )


@transaction.atomic
def add_print_request(
    material: Spool | Feedstock | Polymer,
    mass_g: float,
    due_at: datetime,
    *,
    name: str = "",
    urgent: bool = False,
    by: Any = None,
) -> PrintRequest:
    """Put a print on the list: grams of a spool or material that must be good by a time.

    Refused: a time that is over or more than a week ahead, and an empty spool.
    """
    mass_g = require_within("mass_g", mass_g, *limits.NEEDED_G)
    now = timezone.now()
    if timezone.is_naive(due_at):
        raise refusal("no_zone", _("Give the time with its zone, such as 2026-01-31T08:00Z."), "due_at")
    if not now < due_at <= now + LONGEST_AHEAD:
        raise refusal(
            "too_far_ahead",
            _("Give a time within the next {days} days; got {at}.").format(
                days=LONGEST_AHEAD.days, at=_format_any_time(due_at)
            ),
            "due_at",
        )
    request = PrintRequest(name=name.strip(), mass_g=mass_g, due_at=due_at, urgent=urgent, recorded_by=by)
    if isinstance(material, Spool):
        if material.ended_at is not None:
            raise refusal(
                "spool_ended",
                _("Spool {code} is out of use. Choose another one.").format(code=pretty(material.code)),
                "spool",
            )
        request.spool = material
    elif isinstance(material, Feedstock):
        request.feedstock = material
    else:
        request.polymer = material
    request.full_clean()
    request.save()
    invalidate_advice()
    return request


def _format_any_time(at: datetime) -> str:
    """A time as people read it; only its year at the ends of the calendar, where zones cannot be applied."""
    return format_time(at) if 2000 <= at.year < 2200 else _("the year {year}").format(year=at.year)


@follows_withdrawal(PrintRequest)
def leave_plans(request: PrintRequest) -> None:
    """Plans stay as they are: their reports and checks pass over withdrawn requests."""
    invalidate_advice()
