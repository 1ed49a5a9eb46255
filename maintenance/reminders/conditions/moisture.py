"""Spools that are or will be too wet to print well, and spools that a weighing would decide."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from django.db.models import Exists, Max, Min, OuterRef, Q

from maintenance.models import Loading, Reminder, Toolhead
from maintenance.readiness.verdict import POSSIBLE
from maintenance.reminders.conditions.conditions import Conditions
from spools.air.hourly import hour_of
from spools.board import board
from spools.catalogue.values import material_values
from spools.inventory import ledger
from spools.inventory.queries import share
from spools.models import DryingRun, Feedstock, MassEntry, Place, Spool, Stay
from spools.moisture.state import Interval, moisture_of
from spools.physics_inputs import SMALL_JOB_G, ConstantAir, hours_until
from spools.statements import Statement
from spools.wording import round_as_shown

Kind = Reminder.Kind
# Opened above the first chance of being too wet, held down to the second, so that it does not flicker.
WET, DRY_AGAIN = 0.5, POSSIBLE
# Urgent above this chance, or on a toolhead.
SURELY_WET = 0.9
# Lead time of a loaded spool that will get too wet, h; held until it has twice as long.
OPEN_H, HOLD_H = 12.0, 24.0
PROBE_HOURS = (1, 2, 4, 8, OPEN_H, HOLD_H)
# A weighing may decide where the interval is wider than this share of the limit (the second: held), as wide as
# so many steps of the scale, and the last weighing so old. Common practice, no source.
WIDE, STILL_WIDE = 0.5, 0.4
STEPS_IN_INTERVAL = 4
WEIGHED_LATELY = timedelta(days=7)
OPENED_WET = [Spool.Card.WET, Spool.Card.MISSING]


class Turns(NamedTuple):
    """The outer turns of a spool: the chance that they are over the limit that prints well, their interval, %."""

    over: float
    interval: Interval
    limit_pct: float


def check_moisture(now: datetime) -> Conditions:
    """Spools whose outer turns are likely too wet to print well; not those in a dryer or still in their bag.

    A loaded one opens some hours before.
    """
    conditions = Conditions([Kind.DRY, Kind.WEIGH])
    spools = opened_spools()
    turns = outer_turns(spools, now)
    spools = [spool for spool in spools if spool.pk in turns]
    loaded = {
        loading.spool_id: loading.toolhead
        for loading in Loading.objects.present().select_related("toolhead__printer")
    }
    on_machines = [spool for spool in spools if spool.pk in loaded and turns[spool.pk].over <= WET]
    soon_h = hours_until_wet(on_machines, turns, now)
    for spool in spools:
        own, toolhead = turns[spool.pk], loaded.get(spool.pk)
        if own.over > WET:
            conditions.open(_wet(spool, own), urgent=toolhead is not None or own.over > SURELY_WET)
        elif toolhead is not None and (hours := soon_h[spool.pk]) is not None:
            reminder = _soon_wet(spool, own, toolhead, hours, now)
            if hours < OPEN_H:
                conditions.open(reminder)
            else:
                conditions.hold(reminder)
        elif own.over > DRY_AGAIN:
            conditions.hold(_wet(spool, own))
    _weighings(conditions, [spool for spool in spools if turns[spool.pk].over <= WET], turns, now)
    return conditions


def opened_spools() -> list[Spool]:
    """Spools in use that take up water: opened, in no dryer. The word of an unopened bag is taken, unless
    its card says otherwise."""
    drying = DryingRun.objects.filter(spool=OuterRef("pk"), end=None)
    was_out = Stay.objects.filter(spool=OuterRef("pk")).exclude(place__kind=Place.Kind.BAG)
    opened = Q(sealed=False) | Q(card__in=OPENED_WET) | Exists(was_out)
    found = list(Spool.objects.filter(opened, ~Exists(drying), emptied_at=None))
    share(found, "feedstock", Feedstock.objects.select_related("polymer", "filler"))
    return found


def outer_turns(spools: Sequence[Spool], now: datetime) -> dict[int, Turns]:
    """The outer turns of each that is on the board, by spool id."""
    rows, found = board.read(None, now), {}
    for spool in spools:
        # Where the board is behind, some have no row yet: the next sweep has them.
        if (row := rows.get(spool.pk)) is not None:
            limit_pct = material_values(spool.feedstock).limit_clear_pct
            interval = Interval(row.p10_pct, row.p50_pct, row.p90_pct)
            found[spool.pk] = Turns(row.over_clear, interval, limit_pct)
    return found


def hours_until_wet(
    spools: Sequence[Spool], turns: dict[int, Turns], now: datetime
) -> dict[int, float | None]:
    """Hours until each is likely too wet in the air where it is; None: not within HOLD_H."""
    moistures = moisture_of(spools, now) if spools else {}
    lanes = []
    for spool in spools:
        here = moistures[spool.pk].history.segment_at(now)
        assert here is not None
        air = ConstantAir(0.0, here.air.temperature_c, here.air.rh_pct, here.moving_air)
        lanes.append((moistures[spool.pk].winding, air))
    limits_pct = [turns[spool.pk].limit_pct for spool in spools]
    hours = hours_until(lanes, limits_pct, SMALL_JOB_G, PROBE_HOURS, below=False, share=WET)
    return dict(zip((spool.pk for spool in spools), hours, strict=True))


def _wet(spool: Spool, turns: Turns) -> Reminder:
    polymer = spool.feedstock.polymer
    usual = {"usual_h": polymer.dry_hours, "usual_set_point_c": polymer.dry_set_c}
    return Reminder(
        kind=Kind.DRY,
        condition=f"dry:spool:{spool.pk}",
        reason=Statement("reminder.outer_turns_wet", _outer_water(spool, turns)),
        remedy=Statement("reminder_remedy.dry", usual),
        spool=spool,
        amount=turns.interval.p50,
        amount_unit="outer_water_pct",
    )


def _soon_wet(spool: Spool, turns: Turns, toolhead: Toolhead, hours: float, now: datetime) -> Reminder:
    reminder = _wet(spool, turns)
    soon = {"toolhead": str(toolhead), "hours_left": round(hours, 1)}
    reminder.reason = Statement("reminder.outer_turns_soon_wet", {**reminder.reason.values, **soon})
    reminder.remedy = Statement("reminder_remedy.store_dry")
    reminder.due_at = hour_of(now + timedelta(hours=hours))
    return reminder


def _outer_water(spool: Spool, turns: Turns) -> dict[str, Any]:
    low, likely, high = (round_as_shown(pct) for pct in turns.interval)
    return {
        "spool": spool.code,
        "polymer": str(spool.feedstock.polymer),
        "mass_g": SMALL_JOB_G,
        "water_pct": likely,
        "water_low_pct": low,
        "water_high_pct": high,
        "limit_pct": turns.limit_pct,
    }


def _weighings(
    conditions: Conditions, spools: Sequence[Spool], turns: dict[int, Turns], now: datetime
) -> None:
    """Spools whose verdict is a caution only for lack of data, where one more weighing decides it.

    A first weighing hardly narrows the interval (docs/benchmarks.md): the mass on the label is good to 2 %,
    as much as all the water. The difference to an earlier weighing does.
    """
    unsure = {
        spool.pk: spool
        for spool in spools
        if turns[spool.pk].over > POSSIBLE and _width(turns[spool.pk]) > STILL_WIDE
    }
    entries = MassEntry.objects.valid().filter(spool__in=unsure, kind=MassEntry.Kind.WEIGHED)
    weighed = entries.order_by().values("spool").annotate(last=Max("at"), step_g=Min("resolution_g"))
    rows = [row for row in weighed if row["last"] < now - WEIGHED_LATELY]
    amounts = ledger.remaining_by_spool([unsure[row["spool"]] for row in rows]) if rows else {}
    for row in rows:
        spool, own = unsure[row["spool"]], turns[row["spool"]]
        interval_g = (own.interval.p90 - own.interval.p10) / 100 * amounts[spool.pk].mass_g
        if interval_g < STEPS_IN_INTERVAL * row["step_g"]:
            continue
        last = {"weighed_at": row["last"].isoformat()}
        reminder = Reminder(
            kind=Kind.WEIGH,
            condition=f"weigh:spool:{spool.pk}",
            reason=Statement("reminder.moisture_undecided", _outer_water(spool, own) | last),
            remedy=Statement("reminder_remedy.weigh"),
            spool=spool,
        )
        if _width(own) > WIDE:
            conditions.open(reminder)
        else:
            conditions.hold(reminder)


def _width(turns: Turns) -> float:
    """Of the interval, in units of the limit."""
    return (turns.interval.p90 - turns.interval.p10) / turns.limit_pct
