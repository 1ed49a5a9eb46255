"""A phone or tablet that stays at a place, such as beside a scale: each label that it scans was scanned there.

The session stores the place. See docs/decisions/098-scales.md.
"""

from django.contrib import messages
from django.http import HttpRequest
from django.utils.translation import gettext as _

from access.models import Role
from access.rules import is_allowed
from maintenance.scales.weighings import SCAN_COUNTS, record_scan
from spools.models import Place, Spool
from spools.wording import format_duration

STATION = "scan_place"


def find_station(request: HttpRequest) -> Place | None:
    """The place where this device scans."""
    pk = request.session.get(STATION)
    return Place.objects.in_use().filter(pk=pk).first() if pk else None


def choose_station(request: HttpRequest, text: str) -> None:
    """This device scans at the place with this id; at none for any other text."""
    pk = int(text) if text.isascii() and text.isdecimal() and len(text) < 15 else 0
    place = Place.objects.in_use().filter(pk=pk).first()
    request.session[STATION] = place and place.pk


def note_scan(request: HttpRequest, spool: Spool) -> None:
    """Store that the label of a spool was scanned where this device stands, if it stands somewhere."""
    place = find_station(request)
    if place is None or not is_allowed(request.user, Role.WORK):
        return
    record_scan(spool, place, by=request.user)
    messages.info(
        request,
        _("Scanned at {place}. The next weighing there within {span} is of this spool.").format(
            place=place, span=format_duration(SCAN_COUNTS.total_seconds() / 3600)
        ),
        extra_tags="scanned",
    )
