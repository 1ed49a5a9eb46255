"""Parts: in the drawer, on a toolhead, off it again. A part keeps its history wherever it is fitted."""

from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q

from spools.checks import moment, shown

from . import reminders
from .models import Fitting, Part, PartKind, StockEntry, Toolhead
from .wear_log import LifeLeft, count_toolhead_again, in_stock, life_left

__all__ = [
    "LifeLeft",
    "add_stock",
    "fit_existing",
    "fit_part",
    "in_stock",
    "life_left",
    "remove_part",
    "replace_part",
]
MOST_AT_ONCE = 10_000
SPENT = [Fitting.Removal.WORN, Fitting.Removal.LOST]


@transaction.atomic
def add_stock(
    kind: PartKind, count: int, *, at: datetime | None = None, note: str = "", by: Any = None
) -> StockEntry:
    """Parts came into the drawer; a negative count takes out what was counted too many.

    Refused: 0, more than are there, an absurd number.
    """
    at = moment(at)
    kind = _locked_kind(kind)
    if not count or abs(count) > MOST_AT_ONCE:
        raise ValidationError({"count": f"Give a number of parts, 1 to {MOST_AT_ONCE}; got {count}."})
    there = in_stock([kind]).get(kind.pk, 0)
    if there + count < 0:
        raise ValidationError({"count": f"Only {there} of {kind} are in the drawer. Take out no more."})
    entry = StockEntry.objects.create(kind=kind, at=at, change=count, note=note, recorded_by=by)
    reminders.sweep_stock()
    return entry


@transaction.atomic
def fit_part(toolhead: Toolhead, kind: PartKind, *, at: datetime | None = None, by: Any = None) -> Fitting:
    """A new part from the drawer onto a toolhead.

    Refused: nothing of that kind in the drawer, a role that has its part at that time or later.
    """
    at = moment(at)
    toolhead = _locked_toolhead(toolhead)
    kind = _locked_kind(kind)
    _role_is_free(toolhead, kind.role, at)
    return _fit_new(toolhead, kind, at, by)


@transaction.atomic
def fit_existing(part: Part, toolhead: Toolhead, *, at: datetime | None = None, by: Any = None) -> Fitting:
    """A part that was taken off sound goes on again. Refused: one that is fitted, worn out or lost."""
    at = moment(at)
    toolhead = _locked_toolhead(toolhead)
    part = Part.objects.select_for_update(of=("self",)).select_related("kind").get(pk=part.pk)
    if spent := part.fittings.filter(removal__in=SPENT).first():
        raise ValidationError(
            {"part": f"{part} came off as {spent.get_removal_display()}. Fit another one from stock."}
        )
    if there := part.fittings.filter(_lasting(at)).select_related("toolhead__printer").first():
        raise ValidationError({"part": f"{part} is on {there.toolhead}. Take it off there first."})
    _role_is_free(toolhead, part.kind.role, at)
    return _fit(part, toolhead, at, by)


@transaction.atomic
def replace_part(
    toolhead: Toolhead,
    role: str,
    kind: PartKind,
    *,
    removal: str = Fitting.Removal.WORN,
    at: datetime | None = None,
    by: Any = None,
) -> Fitting:
    """Take the part in a role off and fit a new one from the drawer. ``removal``: why the old one goes."""
    at = moment(at)
    toolhead = _locked_toolhead(toolhead)
    kind = _locked_kind(kind)
    if kind.role != role:
        raise ValidationError({"kind": f"{kind} is no part for this role. Choose another kind."})
    old = toolhead.fittings.filter(role=role, end=None).first()
    if old is None:
        raise ValidationError({"role": f"Nothing is fitted there on {toolhead}. Fit the part instead."})
    _take_off(old, removal, at)
    return _fit_new(toolhead, kind, at, by)


@transaction.atomic
def remove_part(fitting: Fitting, *, removal: str, at: datetime | None = None, by: Any = None) -> Fitting:
    """Take a part off and say why. Refused: one that is off already, a time before it was fitted."""
    at = moment(at)
    toolhead = _locked_toolhead(fitting.toolhead)
    fitting = Fitting.objects.get(pk=fitting.pk)
    if fitting.end is not None:
        raise ValidationError(f"This part came off on {shown(fitting.end)} already.")
    _take_off(fitting, removal, at)
    count_toolhead_again(toolhead, at)
    reminders.sweep_parts()
    return fitting


def _take_off(fitting: Fitting, removal: str, at: datetime) -> None:
    if removal not in Fitting.Removal.values:
        raise ValidationError({"removal": f"Say why: one of {', '.join(Fitting.Removal.values)}."})
    if at < fitting.start:
        raise ValidationError(
            {"at": f"The part was fitted on {shown(fitting.start)}. Give a time after that."}
        )
    fitting.end, fitting.removal = at, removal
    fitting.save(update_fields=["end", "removal"])


def _fit_new(toolhead: Toolhead, kind: PartKind, at: datetime, by: Any) -> Fitting:
    if in_stock([kind]).get(kind.pk, 0) < 1:
        raise ValidationError({"kind": f"No {kind} is in stock. Receive some first, or choose another."})
    StockEntry.objects.create(kind=kind, at=at, change=-1, note=f"fitted to {toolhead}", recorded_by=by)
    fitting = _fit(Part.objects.create(kind=kind), toolhead, at, by)
    reminders.sweep_stock()
    return fitting


def _fit(part: Part, toolhead: Toolhead, at: datetime, by: Any) -> Fitting:
    fitting = Fitting.objects.create(
        part=part, toolhead=toolhead, role=part.kind.role, start=at, recorded_by=by
    )
    count_toolhead_again(toolhead, at)
    reminders.sweep_parts()
    return fitting


def _role_is_free(toolhead: Toolhead, role: str, at: datetime) -> None:
    there = toolhead.fittings.filter(_lasting(at), role=role).select_related("part__kind").last()
    if there is None:
        return
    if there.end is not None:
        raise ValidationError({"at": f"{there.part} was on it until {shown(there.end)}. Give a later time."})
    raise ValidationError(f"{toolhead} has its {there.part}. Replace it, or take it off first.")


def _lasting(at: datetime) -> Q:
    return Q(end=None) | Q(end__gt=at)


def _locked_toolhead(toolhead: Toolhead) -> Toolhead:
    """Its row locked until the transaction ends: one writer at a time."""
    return Toolhead.objects.select_for_update(of=("self",)).select_related("printer").get(pk=toolhead.pk)


def _locked_kind(kind: PartKind) -> PartKind:
    return PartKind.objects.select_for_update().get(pk=kind.pk)
