"""Values of scales that send all the time. They are kept by the minute for some days, and only where they change."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import NamedTuple

from django.db import transaction
from django.utils import timezone

from maintenance.models import Scale, ScaleMinute
from maintenance.scales.scales import find_or_add_scale
from maintenance.scales.signal import Minute, find_noise_band
from spools.checks import CLOCK_TOLERANCE

# Prints are compared within the first; job reports that come later find no values any more.
KEPT_WHOLE, KEPT_CHANGES = timedelta(days=2), timedelta(days=30)


class Counts(NamedTuple):
    """Values that were added, that were there, and that lie in the future or too long ago."""

    added: int
    known: int
    set_aside: int


@transaction.atomic
def record_values(name: str, values: Iterable[tuple[datetime, float]]) -> Counts:
    """Store values of a scale: pairs of a time and g. The order in which they come does not matter; one a second counts."""
    now = timezone.now()
    by_minute: dict[datetime, dict[str, float]] = defaultdict(dict)
    count = set_aside = 0
    for at, mass_g in values:
        count += 1
        if now - KEPT_WHOLE <= at <= now + CLOCK_TOLERANCE:
            minute = by_minute[at.replace(second=0, microsecond=0)]
            minute.setdefault(str(at.second), round(mass_g, 3))
        else:
            set_aside += 1
    scale = find_or_add_scale(name)
    # One writer of a scale's minutes at a time.
    Scale.objects.select_for_update(no_key=True).get(pk=scale.pk)
    present = {row.at: row for row in scale.minutes.filter(at__in=by_minute)}
    added = 0
    for at, new in by_minute.items():
        row = present.get(at) or ScaleMinute(scale=scale, at=at, values_g={})
        fresh = {second: mass_g for second, mass_g in new.items() if second not in row.values_g}
        if fresh:
            row.values_g |= fresh
            row.save()
            added += len(fresh)
    return Counts(added, count - added - set_aside, set_aside)


def load_minutes(scale: Scale, start: datetime, end: datetime) -> list[Minute]:
    """The minutes of a scale that lie whole within a span of time, in its order."""
    rows = scale.minutes.filter(at__gte=start, at__lte=end - timedelta(minutes=1)).order_by("at")
    return [Minute(at, _in_order(values)) for at, values in rows.values_list("at", "values_g")]


def _in_order(values: Mapping[str, float]) -> list[float]:
    return [values[second] for second in sorted(values, key=int)]


def thin_minutes(now: datetime) -> int:
    """Keep only changes of what is older than KEPT_WHOLE, and nothing older than KEPT_CHANGES. Returns how many went."""
    gone = ScaleMinute.objects.filter(at__lt=now - KEPT_CHANGES).delete()[0]
    for scale in Scale.objects.all():
        # The minutes of the last days that are whole by then: those before are thin.
        old = load_minutes(scale, now - KEPT_WHOLE - timedelta(days=2), now - KEPT_WHOLE)
        if len(old) < 3:
            continue
        band_g, last, same = find_noise_band(old, scale.step_g), old[0].level_g, []
        for minute in old[1:-1]:
            if abs(minute.level_g - last) <= band_g:
                same.append(minute.at)
            else:
                last = minute.level_g
        gone += scale.minutes.filter(at__in=same).delete()[0]
    return gone
