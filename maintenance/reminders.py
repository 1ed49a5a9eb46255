"""What is due: raised once for a cause, ended by itself when the cause is gone, put off or done by people."""

import math
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from spools import catalogue, ledger
from spools.box_courses import complete_boxes
from spools.boxes import ADVICE, BoxNow, boxes_now
from spools.checks import shown
from spools.drying import SMALL_JOB_G
from spools.exposure import Moisture, moisture_of
from spools.hourly import hour_of
from spools.labels import pretty
from spools.models import DesiccantCharge, DryingRun, Feedstock, Place, Spool, Stay

from .flow_reminders import flow_reminders
from .lives import Aged, fitted_parts
from .models import PartKind, Reminder, ServiceKind, Toolhead
from .readiness import POSSIBLE, digits, duration
from .service_log import Status, statuses
from .wear_log import UNIT_WORDS, in_stock

Kind = Reminder.Kind
# Raised above the first chance of being too wet, kept until at most the second, so that it does not flicker.
WET, DRY_AGAIN = 0.5, POSSIBLE
# A cause that is still there after "done" comes back after this: what was done may need its time.
PEACE = timedelta(hours=24)
# Parts that are used up within this time have to be bought now. Common practice, no source.
DELIVERY = timedelta(days=14)
LONGEST_SNOOZE = timedelta(days=366)
LONGEST_TITLE = 160
# Days before a dry box is over its limit: told below the first, kept until the second.
SOON, NOT_SO_SOON = 7, 10
OPENED_WET = [Spool.Card.WET, Spool.Card.MISSING]


@dataclass
class Counts:
    """What a sweep did: how many it raised and how many ended by themselves."""

    raised: int = 0
    resolved: int = 0

    def __add__(self, other: "Counts") -> "Counts":
        return Counts(self.raised + other.raised, self.resolved + other.resolved)


@dataclass
class Found:
    """Causes of some kinds as they are now: reminders to be, and open ones to leave as they are."""

    kinds: list[str]
    wanted: list[Reminder] = field(default_factory=list)
    kept: set[str] = field(default_factory=set)


def sweep(now: datetime | None = None) -> Counts:
    """Look for all causes: raise what is new, end what is gone."""
    now = now or timezone.now()
    return store_sweep(wet_spools(now), now)


@transaction.atomic
def store_sweep(wet: Found, now: datetime) -> Counts:
    """The sweep, with the spools' moisture computed before: that takes long, and this locks."""
    busy = set(DryingRun.objects.filter(end=None).values_list("spool", flat=True))
    gone = busy | set(Spool.objects.exclude(emptied_at=None).values_list("pk", flat=True))
    wet.wanted = [reminder for reminder in wet.wanted if reminder.spool_id not in gone]
    boxes = sweep_boxes(now)
    found = _settle(wet, now) + _settle(_dried(now), now) + boxes + sweep_parts(now) + sweep_stock(now)
    return found + sweep_service(now)


@transaction.atomic
def sweep_boxes(now: datetime | None = None) -> Counts:
    """The regenerate reminders alone."""
    now = now or timezone.now()
    return _settle(_spent(now), now)


@transaction.atomic
def sweep_parts(now: datetime | None = None) -> Counts:
    """The reminders about parts and their flow alone, at once after something happened to them."""
    now = now or timezone.now()
    flow = Found([Kind.FLOW_CHECK, Kind.FLOW_CHART], flow_reminders(now))
    return _settle(_worn(now), now) + _settle(flow, now)


@transaction.atomic
def sweep_stock(now: datetime | None = None) -> Counts:
    """The reorder reminders alone."""
    now = now or timezone.now()
    return _settle(_short(now), now)


@transaction.atomic
def sweep_service(now: datetime | None = None) -> Counts:
    """The clean and service reminders alone, at once after a job or a service was recorded."""
    now = now or timezone.now()
    return _settle(_overdue(now), now)


def _settle(found: Found, now: datetime) -> Counts:
    """Raise what has no open reminder, bring the numbers of the others up to date, end the rest."""
    counts = Counts()
    open_ = {r.cause: r for r in Reminder.objects.filter(kind__in=found.kinds, ended_at=None)}
    resting = set(
        Reminder.objects.filter(
            kind__in=found.kinds, ending=Reminder.Ending.DONE, ended_at__gt=now - PEACE
        ).values_list("cause", flat=True)
    )
    wanted = {reminder.cause: reminder for reminder in found.wanted}
    for cause, reminder in wanted.items():
        reminder.title = reminder.title[:LONGEST_TITLE]
        if cause in open_:
            _refresh(open_[cause], reminder)
        elif cause not in resting:
            reminder.raised_at = now
            counts.raised += _raised(reminder)
    gone = [r.pk for cause, r in open_.items() if cause not in wanted and cause not in found.kept]
    counts.resolved = Reminder.objects.filter(pk__in=gone, ended_at=None).update(
        ended_at=now, ending=Reminder.Ending.GONE
    )
    return counts


def _raised(reminder: Reminder) -> bool:
    """The database lets one open reminder of a cause through, whoever else sweeps at the same time."""
    try:
        with transaction.atomic():
            reminder.save(force_insert=True)
    except IntegrityError:
        return False
    return True


def _refresh(reminder: Reminder, now_said: Reminder) -> None:
    said = ["title", "why", "way_out", "due_at"]
    if any(getattr(reminder, name) != getattr(now_said, name) for name in said):
        for name in said:
            setattr(reminder, name, getattr(now_said, name))
        reminder.save(update_fields=said)


# Causes


def wet_spools(now: datetime) -> Found:
    """Spools whose outer turns are likely too wet to print well; not those in a dryer or still in their bag.

    The word of an unopened bag is taken, unless its card says otherwise.
    """
    found = Found([Kind.DRY])
    drying = DryingRun.objects.filter(spool=OuterRef("pk"), end=None)
    was_out = Stay.objects.filter(spool=OuterRef("pk")).exclude(place__kind=Place.Kind.BAG)
    opened = Q(sealed=False) | Q(card__in=OPENED_WET) | Exists(was_out)
    spools = list(
        Spool.objects.filter(opened, ~Exists(drying), emptied_at=None).select_related(
            "feedstock__polymer", "feedstock__filler"
        )
    )
    moistures = moisture_of(spools, now)
    for spool in spools:
        limit_pct = catalogue.value(spool.feedstock, "limit_clear_pct")
        assert limit_pct is not None
        chance = moistures[spool.pk].probability_over(limit_pct, SMALL_JOB_G)
        reminder = _wet(spool, moistures[spool.pk], limit_pct)
        if chance > WET:
            found.wanted.append(reminder)
        elif chance > DRY_AGAIN:
            found.kept.add(reminder.cause)
    return found


def _wet(spool: Spool, moisture: Moisture, limit_pct: float) -> Reminder:
    low, likely, high = moisture.outer_pct(SMALL_JOB_G)
    polymer = spool.feedstock.polymer
    return Reminder(
        kind=Kind.DRY,
        cause=f"dry:spool:{spool.pk}",
        title=f"Re-dry {pretty(spool.code)} ({polymer})",
        why=f"The outer {SMALL_JOB_G:.0f} g hold {digits(likely)} % ({digits(low)} to {digits(high)} %); "
        f"{polymer} prints well up to {limit_pct:g} %.",
        way_out=f"Dry it, usually {polymer.dry_hours} h at {polymer.dry_set_c:g} °C; its page has the plan.",
        spool=spool,
    )


def _dried(now: datetime) -> Found:
    """Drying runs whose planned hours, or those of their first stage, are over."""
    found = Found([Kind.DRYER_UP, Kind.DRYING_DONE])
    for run in DryingRun.objects.filter(end=None).select_related("spool", "dryer"):
        done_at = run.start + timedelta(hours=run.planned_hours)
        if run.change_at is not None and run.change_at <= now < done_at:
            found.wanted.append(
                Reminder(
                    kind=Kind.DRYER_UP,
                    cause=f"dryer_up:run:{run.pk}",
                    title=f"Turn {run.dryer} up to {run.set_point_c:g} °C",
                    why=f"The first stage of {pretty(run.spool.code)}, {run.first_hours:.4g} h at "
                    f"{run.first_set_point_c:g} °C, was over {shown(run.change_at)}; the rest is reckoned "
                    "hotter.",
                    way_out="Turn it up and mark this as done.",
                    spool=run.spool,
                    due_at=run.change_at,
                )
            )
        if done_at <= now:
            found.wanted.append(
                Reminder(
                    kind=Kind.DRYING_DONE,
                    cause=f"drying_done:run:{run.pk}",
                    title=f"Take {pretty(run.spool.code)} out of {run.dryer}",
                    why=f"{run.planned_hours:.4g} h ({run.temperatures}) were over {shown(done_at)}.",
                    way_out="Finish the run on the drying page and put the spool into dry storage.",
                    spool=run.spool,
                    due_at=done_at,
                )
            )
    return found


def _worn(now: datetime) -> Found:
    """Fitted parts that may be used up."""
    worn = [of for of in fitted_parts(at=now) if of.left().probability_used_up > POSSIBLE]
    return Found([Kind.REPLACE], [_replace(of, now) for of in worn])


def _replace(of: Aged, now: datetime) -> Reminder:
    life, left, unit = of.expected, of.left(), UNIT_WORDS[of.kind.life_unit]
    band = f"{digits(life.median)} ({digits(life.low)} to {digits(life.high)})"
    stock = f"{of.in_stock} in stock" if of.in_stock > 0 else "none in stock, reorder"
    assert of.fitting is not None
    return Reminder(
        kind=Kind.REPLACE,
        cause=f"replace:part:{of.part.pk}",
        title=f"Replace the {of.kind} on {of.fitting.site}",
        why=f"It has done {digits(of.age)} {unit} of an expected {band}: "
        f"{100 * left.probability_used_up:.0f} % likely to be used up.",
        way_out=f"Replace it ({stock}), or take it off and look: a sound one can go on again.",
        part=of.part,
        toolhead_id=of.fitting.toolhead_id,
        due_at=left.used_up_at,
    )


def _overdue(now: datetime) -> Found:
    """Services of machines in use whose interval is over."""
    toolheads = Toolhead.objects.filter(printer__retired_at=None).select_related("printer")
    over = [status for status in statuses(toolheads, now) if status.since.overdue]
    return Found([Kind.CLEAN, Kind.SERVICE], [_service(status) for status in over])


def _service(status: Status) -> Reminder:
    kind, since = status.kind, status.since
    return Reminder(
        kind=Kind.CLEAN if kind.work in ServiceKind.CLEANING else Kind.SERVICE,
        cause=f"service:{kind.pk}:printer:{status.printer.pk}"
        + (f":toolhead:{status.toolhead.pk}" if status.toolhead else ""),
        title=f"{kind.name.capitalize()} on {since.where}",
        why=f"{digits(since.used)} {since.unit} {status.since_when}; its interval is "
        f"{digits(since.interval)}. Who says so: {kind.source}."[:300],
        way_out="Do it, then record it on the service page of the machine: that ends this reminder.",
        printer=status.printer,
        toolhead=status.toolhead,
    )


def _short(now: datetime) -> Found:
    """Parts and feedstocks at or below their reorder points; 0 means that none are kept in stock.

    Parts also when more of those that are fitted are used up before new ones can come than are in stock.
    """
    found = Found([Kind.REORDER])
    counts = in_stock()
    kinds = list(PartKind.objects.filter(reorder_point__gt=0, pk__in=counts))
    ends = _used_up_at(now) if kinds else {}
    for kind in kinds:
        reminder = _reorder(kind, counts[kind.pk], ends.get(kind.pk, []), now)
        if reminder is not None:
            found.wanted.append(reminder)
    kept = list(Feedstock.objects.filter(reorder_point_g__gt=0).select_related("maker"))
    spools = list(Spool.objects.filter(feedstock__in=kept, emptied_at=None))
    amounts = ledger.remaining_of(spools) if spools else {}
    for feedstock in kept:
        mass_g = sum(amounts[spool.pk].mass_g for spool in spools if spool.feedstock_id == feedstock.pk)
        point_g = feedstock.reorder_point_g
        if mass_g <= point_g:
            found.wanted.append(
                Reminder(
                    kind=Kind.REORDER,
                    cause=f"reorder:feedstock:{feedstock.pk}",
                    title=f"Reorder {feedstock}",
                    why=f"{mass_g:.0f} g on all spools; the reorder point is {point_g:.0f} g.",
                    way_out="Buy a spool, and receive it.",
                    feedstock=feedstock,
                )
            )
    return found


def _spent(now: datetime) -> Found:
    """Dry boxes that are over their humidity limit, or will be soon."""
    found = Found([Kind.REGENERATE])
    for box in boxes_now(complete_boxes(), now).values():
        if box.waiting is not None:
            continue
        reminder = _regenerate(box, now)
        days = math.inf if box.days.likely is None else box.days.likely
        if days < SOON:
            found.wanted.append(reminder)
        elif days < NOT_SO_SOON:
            found.kept.add(reminder.cause)
    return found


def _regenerate(box: BoxNow, now: datetime) -> Reminder:
    place, days = box.place, box.days.likely
    how = "computed" if box.measured_rh_pct is None else "measured"
    when = "" if box.over_limit or not days else f", which is about {duration(24 * days)} away"
    advice = ADVICE[DesiccantCharge.Kind(box.charge.kind)]
    return Reminder(
        kind=Kind.REGENERATE,
        cause=f"regenerate:place:{place.pk}",
        title=f"Regenerate the desiccant of {place}",
        why=f"{digits(box.rh_pct)} % RH in it, {how}; the limit is {place.limit_rh_pct:g} %{when}. "
        f"The {box.charge.dry_mass_g:g} g hold {digits(box.held_g)} of {digits(box.limit_g)} g of water.",
        way_out=f"{advice.celsius:g} °C for about {advice.hours:g} h, the maker's word first; then record it "
        "on the box's page.",
        place=place,
        due_at=None if days is None else hour_of(now + timedelta(days=days)),
    )


def _used_up_at(now: datetime) -> dict[int, list[datetime]]:
    """When the parts that are fitted will be used up at the present rate of use, by kind id."""
    ends: dict[int, list[datetime]] = defaultdict(list)
    for of in fitted_parts(at=now):
        if (end := of.left().used_up_at) is not None:
            ends[of.kind.pk].append(end)
    return ends


def _reorder(kind: PartKind, count: int, ends: list[datetime], now: datetime) -> Reminder | None:
    soon = sum(end <= now + DELIVERY for end in ends)
    if count > kind.reorder_point and soon <= count:
        return None
    why = f"{count} in stock; the reorder point is {kind.reorder_point}."
    if soon:
        why += f" Of those fitted, {soon} will probably be used up within {DELIVERY.days} days."
    return Reminder(
        kind=Kind.REORDER,
        cause=f"reorder:part_kind:{kind.pk}",
        title=f"Reorder {kind}",
        why=why,
        way_out="Buy some, and receive them on the stock page.",
        part_kind=kind,
        # When the first one is wanted that is not there.
        due_at=sorted(ends)[count] if count < len(ends) else None,
    )


# People


@transaction.atomic
def snooze(reminder: Reminder, until: datetime) -> Reminder:
    """Say it again at ``until``. Refused: a time that is past or over a year away, one that has ended."""
    now = timezone.now()
    reminder = _still_open(reminder)
    if timezone.is_naive(until) or not now < until <= now + LONGEST_SNOOZE:
        raise ValidationError({"until": "Give a time to come, at most a year from now."})
    reminder.snoozed_until = until
    reminder.save(update_fields=["snoozed_until"])
    return reminder


@transaction.atomic
def done(reminder: Reminder, note: str = "", by: Any = None) -> Reminder:
    """It was done. If its cause is still there after PEACE, it is raised again."""
    reminder = _still_open(reminder)
    reminder.ended_at, reminder.ending = timezone.now(), Reminder.Ending.DONE
    reminder.note, reminder.ended_by = note, by
    reminder.save(update_fields=["ended_at", "ending", "note", "ended_by"])
    return reminder


def _still_open(reminder: Reminder) -> Reminder:
    reminder = Reminder.objects.select_for_update(of=("self",)).get(pk=reminder.pk)
    if reminder.ended_at is not None:
        raise ValidationError(f"This reminder ended on {shown(reminder.ended_at)} already.")
    return reminder


def open_reminders(now: datetime | None = None) -> QuerySet[Reminder]:
    """Reminders that are due now: neither ended nor put off.

    A spool that was taken out of its dryer is left out at once; the next sweep ends its reminder.
    """
    now = now or timezone.now()
    drying = DryingRun.objects.filter(spool=OuterRef("spool"), end=None)
    return Reminder.objects.filter(
        Q(snoozed_until=None) | Q(snoozed_until__lte=now),
        ~Q(kind__in=[Kind.DRYER_UP, Kind.DRYING_DONE]) | Exists(drying),
        ended_at=None,
    ).select_related("spool")


def due_count(now: datetime | None = None) -> int:
    """How many reminders are due."""
    return open_reminders(now).count()
