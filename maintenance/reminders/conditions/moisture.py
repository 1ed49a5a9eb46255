"""Spools that are or will be too wet to print well, and spools that a weighing would decide."""

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Exists, Max, Min, OuterRef, Q, QuerySet

from maintenance.models import Loading, Reminder, Toolhead
from maintenance.readiness.verdict import POSSIBLE
from maintenance.reminders.conditions.conditions import Condition
from maintenance.reminders.conditions.wanted import IS_OPENED, find_damp, find_wanted
from spools.air.hourly import hour_of
from spools.board import board
from spools.catalogue.values import material_values
from spools.inventory.queries import share_feedstocks
from spools.models import DryingRun, MassEntry, SpoolBoard
from spools.physics_inputs import SMALL_JOB_G
from spools.statements import Statement
from spools.wording import round_as_shown

Kind = Reminder.Kind
# Opened above the first chance of being too wet, held down to the second, so that it does not flicker.
WET, DRY_AGAIN = 0.5, POSSIBLE
# Urgent above this chance, or on a toolhead.
SURELY_WET = 0.9
# Lead time of a loaded spool that may get too wet; held until it has twice as long.
OPEN_BEFORE, HOLD_BEFORE = timedelta(hours=12), timedelta(hours=24)
# A weighing may decide where the interval is wider than this share of the limit (the second: held), as wide as
# so many steps of the scale, and the last weighing so old. Common practice, no source.
WIDE, STILL_WIDE = 0.5, 0.4
STEPS_IN_INTERVAL = 4
WEIGHED_LATELY = timedelta(days=7)


def check_moisture(now: datetime) -> Iterator[Condition]:
    """Spools that somebody wants and whose outer turns are likely too wet to print well.

    Not those in a dryer or still in their bag; the others are those of find_damp_spools. A loaded one opens some hours
    before it may be. Reads the board as it is; a fixed number of queries.
    """
    loadings = Loading.objects.present().select_related("toolhead__printer")
    loaded = {loading.spool_id: loading.toolhead for loading in loadings}
    rows = _load_rows(now, loaded, find_wanted(DRY_AGAIN))
    for row in rows:
        toolhead, until = loaded.get(row.spool_id), row.prints_well_until
        if row.over_clear > WET:
            yield Condition(_wet(row), urgent=toolhead is not None or row.over_clear > SURELY_WET)
        elif toolhead is not None and until is not None and row.over_clear <= DRY_AGAIN:
            reminder = _soon_wet(row, toolhead, until, now)
            yield Condition(reminder, opens=until < now + OPEN_BEFORE)
        else:
            yield Condition(_wet(row), opens=False)
    yield from _weighings([row for row in rows if POSSIBLE < row.over_clear <= WET], now)


def find_damp_spools() -> QuerySet[SpoolBoard]:
    """The rows of opened spools that are likely too wet to print well, and of which nobody is reminded."""
    return find_damp(WET, find_wanted(DRY_AGAIN))


def _load_rows(now: datetime, loaded: Iterable[int], wanted: Iterable[int]) -> list[SpoolBoard]:
    """The rows of wanted spools that are or soon may be too wet: opened, in no dryer."""
    soon = Q(spool__in=list(loaded), prints_well_until__lt=now + HOLD_BEFORE)
    drying = Exists(DryingRun.objects.filter(spool=OuterRef("spool"), end=None))
    rows = board.rows_in_use().filter(
        IS_OPENED, ~drying, Q(over_clear__gt=DRY_AGAIN) | soon, run=None, spool__in=list(wanted)
    )
    wet_rows = list(rows.defer("outlooks_json").select_related("spool").order_by("pk"))
    share_feedstocks([row.spool for row in wet_rows])
    return wet_rows


def _limit_pct(row: SpoolBoard) -> float:
    """Up to which it prints well."""
    return material_values(row.spool.feedstock).limit_clear_pct


def _wet(row: SpoolBoard) -> Reminder:
    return Reminder(
        kind=Kind.DRY,
        condition=f"dry:spool:{row.spool_id}",
        reason=Statement("reminder.outer_turns_wet", _outer_water(row)),
        remedy=row.advice,
        spool=row.spool,
        amount=row.p50_pct,
        amount_unit="outer_water_pct",
    )


def _soon_wet(row: SpoolBoard, toolhead: Toolhead, until: datetime, now: datetime) -> Reminder:
    reminder = _wet(row)
    hours_left = round(max(timedelta(0), until - now) / timedelta(hours=1), 1)
    soon = {"toolhead": str(toolhead), "hours_left": hours_left}
    reminder.reason = Statement("reminder.outer_turns_soon_wet", {**reminder.reason.values, **soon})
    reminder.remedy = Statement("reminder_remedy.store_dry")
    reminder.due_at = hour_of(until)
    return reminder


def _outer_water(row: SpoolBoard) -> dict[str, Any]:
    low, likely, high = (round_as_shown(pct) for pct in (row.p10_pct, row.p50_pct, row.p90_pct))
    return {
        "spool": row.spool.code,
        "polymer": str(row.spool.feedstock.polymer),
        "mass_g": SMALL_JOB_G,
        "water_pct": likely,
        "water_low_pct": low,
        "water_high_pct": high,
        "limit_pct": _limit_pct(row),
    }


def _weighings(rows: Iterable[SpoolBoard], now: datetime) -> Iterator[Condition]:
    """Of these spools, whose verdict is a caution only for lack of data, those that one more weighing decides.

    A first weighing hardly narrows the interval (docs/benchmarks.md): the mass on the label is good to 2 %,
    as much as all the water. The difference to an earlier weighing does.
    """
    unsure = {row.spool_id: row for row in rows if _width(row) > STILL_WIDE}
    entries = MassEntry.objects.valid().filter(spool__in=unsure, kind=MassEntry.Kind.WEIGHED)
    weighed = entries.order_by().values("spool").annotate(last=Max("at"), step_g=Min("resolution_g"))
    for weighing in weighed.filter(last__lt=now - WEIGHED_LATELY):
        row = unsure[weighing["spool"]]
        interval_g = (row.p90_pct - row.p10_pct) / 100 * row.mass_g
        if interval_g < STEPS_IN_INTERVAL * weighing["step_g"]:
            continue
        last = {"weighed_at": weighing["last"].isoformat()}
        reminder = Reminder(
            kind=Kind.WEIGH,
            condition=f"weigh:spool:{row.spool_id}",
            reason=Statement("reminder.moisture_undecided", _outer_water(row) | last),
            remedy=Statement("reminder_remedy.weigh"),
            spool=row.spool,
        )
        yield Condition(reminder, opens=_width(row) > WIDE)


def _width(row: SpoolBoard) -> float:
    """Of the interval, in units of the limit."""
    return (row.p90_pct - row.p10_pct) / _limit_pct(row)
