"""Hours of which only the mean is stored: nothing is added to them, withdrawn from them or corrected in them."""

from collections.abc import Iterable
from datetime import UTC, datetime

from django.utils.translation import gettext as _

from spools.models import HourlyMean, Place
from spools.refusals import refusal
from spools.wording import format_time


def find_averaged(place: Place, times: Iterable[datetime]) -> set[datetime]:
    """The times that are in such hours of a place. One query."""
    times = set(times)
    if not times:
        return set()
    stored = HourlyMean.objects.filter(place=place, hour__gte=_hour(min(times)), hour__lte=max(times))
    hours = set(stored.values_list("hour", flat=True))
    return {at for at in times if _hour(at) in hours}


def require_single_readings(place: Place, start: datetime, end: datetime | None, field: str) -> None:
    """Refused, on ``field``: a span of a place with such an hour. end: None for no end."""
    stored = HourlyMean.objects.filter(place=place, hour__gte=_hour(start))
    last = (stored.filter(hour__lte=end) if end else stored).last()
    if last is not None:
        raise refusal(
            "readings_averaged",
            _("Up to {hour} only hourly means of these readings are stored. Give a later time.").format(
                hour=format_time(last.hour)
            ),
            field,
        )


def _hour(at: datetime) -> datetime:
    return at.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
