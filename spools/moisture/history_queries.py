"""Loads the histories of many spools in few queries."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from django.db.models import BigIntegerField, DateTimeField, Q, QuerySet

from background.prepared import Parameter, PreparedRows
from spools.air.bags import BagAir, is_computed_bag, load_bags
from spools.air.dry_box_cache import AirSeries, load_series
from spools.air.dry_box_facts import is_complete
from spools.air.hourly import HourlyReadings, load_readings
from spools.inventory.openings import load_opened
from spools.inventory.queries import share_places, spools_by_id
from spools.models import DryingRun, MassEntry, Place, Spool, Stay
from spools.moisture.history import History, OtherRun


def load(
    spool_ids: Iterable[int],
    until: datetime,
    since: Callable[[History], datetime],
    preloaded: Iterable[Spool] = (),
) -> dict[int, History]:
    """The histories of spools by spool id, each from a time on, with the air of its places up to ``until``.

    ``since`` returns that time for a history still without its stays and their air. preloaded: the spools
    themselves, where the caller has them from queries.with_materials().
    Eight queries however many spools, six with the spools preloaded; one more where drying runs go on, some more
    where the air of a dry box is computed.
    """
    spools = {spool.pk: spool for spool in preloaded} or spools_by_id(spool_ids)
    readings: dict[int, HourlyReadings] = {}
    boxes: dict[int, AirSeries] = {}
    bags: dict[int, BagAir] = {}
    opened = load_opened(spools)
    histories = {
        pk: History(spool, opened[pk], [], [], [], readings, boxes, bags) for pk, spool in spools.items()
    }
    for entry in _load_entries(spools):
        histories[entry.spool_id].entries.append(entry)
    needed = [(history, since(history)) for history in histories.values()]
    all_runs = _load_runs(spools)
    stays = _load_stays(spools, min((at for _, at in needed), default=until))
    share_places(stays, all_runs)
    for stay in stays:
        histories[stay.spool_id].stays.append(stay)
    for run in all_runs:
        histories[run.spool_id].runs.append(run)
    _add_other_runs(needed)
    boxes |= _load_boxes(needed, until)
    readings |= _load_readings(needed, until)
    bags |= _load_bags(needed, until)
    return histories


def _add_other_runs(needed: Sequence[tuple[History, datetime]]) -> None:
    """Adds the runs of other spools beside those of each history that lasted to its time, or longer: one query."""
    own = [
        (history, run)
        for history, since in needed
        for run in history.runs
        if run.end is None or run.end > since
    ]
    if not own:
        return
    first = min(run.start for _, run in own)
    rows = DryingRun.objects.filter(
        Q(end=None) | Q(end__gt=first), dryer__in={run.dryer_id for _, run in own}
    ).order_by("start", "id")
    others = [OtherRun(*row) for row in rows.values_list("spool", "dryer", "start", "end")]
    for history, run in own:
        history.others.extend(
            other
            for other in others
            if other.spool_id != history.spool.pk
            and other.dryer_id == run.dryer_id
            and (run.end is None or other.start < run.end)
            and (other.end is None or other.end > run.start)
            and other not in history.others
        )


def _load_entries(spools: Mapping[int, Spool]) -> Iterable[MassEntry]:
    if len(spools) == 1:
        return _ENTRIES.run(spool=next(iter(spools)))
    return MassEntry.objects.valid().amounts().filter(spool__in=list(spools))


def _load_runs(spools: Mapping[int, Spool]) -> Sequence[DryingRun]:
    if len(spools) == 1:
        return _RUNS.run(spool=next(iter(spools)))
    return list(DryingRun.objects.filter(spool__in=list(spools)))


def _load_stays(spools: Mapping[int, Spool], since: datetime) -> Sequence[Stay]:
    """The stays that lasted to a time, or longer."""
    if len(spools) == 1:
        return _STAYS.run(spool=next(iter(spools)), since=since)
    return list(_select_stays(since).filter(spool__in=list(spools)))


def _select_stays(since: datetime | Parameter) -> QuerySet[Stay]:
    return Stay.objects.spans().filter(Q(end=None) | Q(end__gte=since))


# Most loads are of one spool: its page, and what follows a fact about it.
_SPOOL = Parameter("spool", BigIntegerField())
_ENTRIES = PreparedRows(lambda: MassEntry.objects.valid().filter(spool=_SPOOL))
_RUNS = PreparedRows(lambda: DryingRun.objects.filter(spool=_SPOOL))
_STAYS = PreparedRows(lambda: _select_stays(Parameter("since", DateTimeField())).filter(spool=_SPOOL))


def load_air(histories: Iterable[History], until: datetime) -> list[History]:
    """The same histories with all readings and computed air since receipt, before ``until``.

    One query, some more where the air of a dry box is computed.
    """
    needed = [(history, history.spool.received_at) for history in histories]
    boxes, readings = _load_boxes(needed, until), _load_readings(needed, until)
    bags = _load_bags(needed, until)
    return [replace(history, readings=readings, boxes=boxes, bags=bags) for history, _ in needed]


def _load_bags(histories: Iterable[tuple[History, datetime]], until: datetime) -> dict[int, BagAir]:
    """The air of the bags that spools were in, where it may be computed, by stay id."""
    histories = list(histories)
    stays = [stay for stay, start in _stays_since(histories) if is_computed_bag(stay.place) and start < until]
    spools = {history.spool.pk: history.spool for history, _ in histories}
    return load_bags(stays, spools, until) if stays else {}


def _load_boxes(histories: Iterable[tuple[History, datetime]], until: datetime) -> dict[int, AirSeries]:
    """The air of the dry boxes that spools were in, where it may be computed, each since a time."""
    spans: dict[Place, tuple[datetime, datetime]] = {}
    for stay, start in _stays_since(histories):
        if is_complete(stay.place):
            end = min(stay.end or until, until)
            before = spans.get(stay.place, (start, end))
            spans[stay.place] = min(start, before[0]), max(end, before[1])
    return load_series(spans) if spans else {}


def _stays_since(histories: Iterable[tuple[History, datetime]]) -> Iterator[tuple[Stay, datetime]]:
    """The stays that last beyond the time of their history, and from when on each counts."""
    for history, since in histories:
        for stay in history.stays:
            if stay.end is None or stay.end > since:
                yield stay, max(stay.start, since)


def _load_readings(
    histories: Iterable[tuple[History, datetime]], until: datetime
) -> dict[int, HourlyReadings]:
    """Hourly means of the places, and the rooms of dryers, that spools were in, each since a time."""
    first: dict[int, datetime] = {}
    for stay, start in _stays_since(histories):
        for place in (stay.place, stay.place.room):
            if place is not None:
                first[place.pk] = min(first.get(place.pk, start), start)
    return load_readings(first, until)
