"""Hours of which only the mean is stored: nothing is added to them, withdrawn from them or corrected in them."""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime

from django.utils.translation import gettext as _

from spools.models import HourlyMean, Place
from spools.refusals import refusal
from spools.wording import format_time

# Places in the condition of one query.
MOST_PLACES = 500


def find_averaged(times: Mapping[int, Iterable[datetime]]) -> dict[int, set[datetime]]:
    """The times that are in such hours of their place, by its id. One query."""
    spans = {pk: (min(its), max(its)) for pk, its in ((pk, list(its)) for pk, its in times.items()) if its}
    if not spans:
        return {}
    first, last = min(span[0] for span in spans.values()), max(span[1] for span in spans.values())
    stored = HourlyMean.objects.filter(hour__gte=_hour(first), hour__lte=last)
    stored = stored.filter(place__in=list(spans)) if len(spans) < MOST_PLACES else stored
    hours = set(stored.values_list("place", "hour"))
    return {pk: {at for at in times[pk] if (pk, _hour(at)) in hours} for pk in spans} if hours else {}


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
