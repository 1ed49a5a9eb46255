"""Parts: in the drawer, on a machine, off it again, measured. A part has one history wherever it goes."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from maintenance import limits
from maintenance.changes import toolheads_changed
from maintenance.models import (
    BoreReading,
    Fitting,
    Part,
    PartKind,
    Printer,
    PriorUse,
    StockEntry,
    Toolhead,
)
from maintenance.models.parts import IN_NO_MACHINE, ON_A_PRINTER
from maintenance.parts.stock import lock_kind, sweep_parts
from maintenance.parts.wear_entries import in_stock, recount_site_wear
from spools.checks import require_past_time, require_within
from spools.facts import describe_withdrawal
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_time

PRIOR_UNITS = [PriorUse.Unit.KG.value, PriorUse.Unit.MONTHS.value, PriorUse.Unit.UNKNOWN.value]
SPENT = [Fitting.Removal.WORN, Fitting.Removal.LOST]

Site = Toolhead | Printer


@transaction.atomic
def fit_part(site: Site, kind: PartKind, *, at: datetime | None = None, by: Any = None) -> Fitting:
    """A new part from the drawer onto a toolhead, or onto a printer what the whole printer has once.

    Refused: nothing of that kind in the drawer, a role that has its part at that time or later, the wrong
    site.
    """
    at = require_past_time(at)
    site = lock_site(site)
    kind = lock_kind(kind)
    require_free_role(site, kind.role, at)
    return _fit_new(site, kind, at, by)


@transaction.atomic
def fit_used(
    site: Site,
    kind: PartKind,
    prior_unit: str,
    prior_amount: float | None = None,
    *,
    at: datetime | None = None,
    by: Any = None,
) -> Fitting:
    """A part that was used before it came into the records, and that was never in the drawer.

    prior_unit: the unit of its life, "kg" of unfilled filament, "months" on a printer, or "unknown" without an
    amount. Refused: as by fit_part, and an amount that cannot be.
    """
    at = require_past_time(at)
    site = lock_site(site)
    kind = lock_kind(kind)
    require_free_role(site, kind.role, at)
    part = Part.objects.create(kind=kind)
    record_prior_use(part, prior_unit, prior_amount, by=by)
    return _fit(part, site, at, by)


@transaction.atomic
def record_prior_use(
    part: Part, unit: str, amount: float | None = None, *, note: str = "", by: Any = None
) -> PriorUse:
    """Records the use of a part before it came into the records; the last one counts.

    Refused: a unit that measures no life of its kind, a missing or impossible amount, one with an unknown age.
    """
    choices = [part.kind.life_unit, *PRIOR_UNITS]
    if unit not in choices:
        raise refusal(
            "unknown_unit", _("Give one of {choices}.").format(choices=", ".join(choices)), "prior_unit"
        )
    if unit == PriorUse.Unit.UNKNOWN:
        if amount is not None:
            raise refusal(
                "amount_of_unknown_age", _("Leave the amount empty, or choose its unit."), "prior_amount"
            )
    elif amount is None:
        raise refusal("amount_missing", _("Give the amount, or choose “age unknown”."), "prior_amount")
    else:
        amount = require_within("prior_amount", amount, *limits.PRIOR_USE)
    prior = PriorUse.objects.create(part=part, unit=unit, amount=amount, note=note, recorded_by=by)
    lives_changed(part)
    return prior


@transaction.atomic
def fit_existing(part: Part, site: Site, *, at: datetime | None = None, by: Any = None) -> Fitting:
    """A part that was taken off sound goes on again. Refused: one that is fitted, worn out or lost."""
    at = require_past_time(at)
    site = lock_site(site)
    part = Part.objects.select_for_update(no_key=True, of=("self",)).select_related("kind").get(pk=part.pk)
    if spent := part.fittings.valid().filter(removal__in=SPENT).first():
        raise refusal(
            "part_spent",
            _("{part} came off as {removal}. Fit another one from stock.").format(
                part=part, removal=spent.get_removal_display()
            ),
            "part",
        )
    if (
        current := part.fittings.valid()
        .filter(_lasting_at(at))
        .select_related("toolhead__printer", "printer")
        .first()
    ):
        raise refusal(
            "fitted_elsewhere",
            _("{part} is on {site}. Take it off there first.").format(part=part, site=current.site),
            "part",
        )
    require_free_role(site, part.kind.role, at)
    return _fit(part, site, at, by)


@transaction.atomic
def replace_part(
    site: Site,
    role: str,
    kind: PartKind,
    *,
    removal: str = Fitting.Removal.WORN,
    old: Fitting | None = None,
    at: datetime | None = None,
    by: Any = None,
) -> Fitting:
    """Take the part in a role off and fit a new one from the drawer. ``removal``: why the old one goes.

    old: the one that is meant. Refused where it came off already: a button pressed twice replaces once.
    """
    at = require_past_time(at)
    site = lock_site(site)
    kind = lock_kind(kind)
    if kind.role != role:
        raise refusal(
            "wrong_role", _("{kind} is no part for this role. Choose another kind.").format(kind=kind), "kind"
        )
    if old is not None:
        _require_fitted(old)
    current = site.fittings.valid().filter(role=role, end=None).first()
    if current is None:
        raise refusal(
            "nothing_fitted",
            _("Nothing is fitted there on {site}. Fit the part instead.").format(site=site),
            "role",
        )
    _take_off(current, removal, at, by)
    return _fit_new(site, kind, at, by)


@transaction.atomic
def remove_part(fitting: Fitting, *, removal: str, at: datetime | None = None, by: Any = None) -> Fitting:
    """Takes a part off, for a reason. Refused: a part that is off already, a time before it was fitted."""
    at = require_past_time(at)
    site = lock_site(fitting.site)
    fitting = _require_fitted(fitting)
    _take_off(fitting, removal, at, by)
    recount_site_wear(site, at)
    machine_changed(site)
    sweep_parts()
    return fitting


def machine_changed(site: Site) -> None:
    """The board of a toolhead, or of all those of a printer, is stale."""
    toolheads_changed(Q(pk=site.pk) if isinstance(site, Toolhead) else Q(printer=site))


@transaction.atomic
def record_bore(
    part: Part,
    bore_mm: float,
    error_mm: float,
    method: str,
    *,
    at: datetime | None = None,
    note: str = "",
    by: Any = None,
) -> BoreReading:
    """Records a measured bore; one before the first job is the bore of the new part.

    Refused: a part without a bore, a time before it was first fitted, what no nozzle of that bore can have.
    """
    at = require_past_time(at)
    part = Part.objects.select_for_update(no_key=True, of=("self",)).select_related("kind").get(pk=part.pk)
    new_mm = part.kind.bore_mm
    if new_mm is None:
        raise refusal("no_bore", _("{part} has no bore. Measure a nozzle.").format(part=part), "part")
    low, high = limits.BORE_SHARE.low * new_mm, limits.BORE_SHARE.high * new_mm
    bore_mm = require_within("bore_mm", bore_mm, low, high, "mm")
    error_mm = require_within("error_mm", error_mm, *limits.BORE_ERROR_MM)
    if method not in BoreReading.Method.values:
        raise refusal(
            "unknown_method",
            _("Say how: one of {choices}.").format(choices=", ".join(BoreReading.Method.values)),
            "method",
        )
    first = part.fittings.valid().order_by("start").first()
    if first is None or at < first.start:
        earliest = _("It was not fitted yet. Fit it first.")
        if first is not None:
            fitted = _("It was fitted on {time}. Give a time after that.")
            earliest = fitted.format(time=format_time(first.start))
        raise refusal("before_fitting", earliest, "at")
    reading = BoreReading.objects.create(
        part=part, at=at, bore_mm=bore_mm, error_mm=error_mm, method=method, note=note, recorded_by=by
    )
    lives_changed(part)
    return reading


def lives_changed(part: Part) -> None:
    """The life of a part and of its kind is computed again."""
    fitted = {"fittings__part": part, "fittings__end": None, "fittings__withdrawn_at": None}
    toolheads_changed(Q(**fitted) | Q(**{f"printer__{name}": value for name, value in fitted.items()}))
    sweep_parts()


def describe_removal(fitting: Fitting) -> str:
    """That a part is off and since when, in words; empty while it is fitted."""
    if fitting.end is None:
        return ""
    came_off = _("{part} came off {site} on {time} already.")
    return came_off.format(part=fitting.part, site=fitting.site, time=format_time(fitting.end))


def _require_fitted(fitting: Fitting) -> Fitting:
    """The fitting as stored. Refused: one that has ended."""
    fitting = Fitting.objects.get(pk=fitting.pk)
    if fitting.withdrawn_at is not None:
        raise refusal(
            "fitting_withdrawn",
            _("The fitting was {withdrawn}. Look at the part's page.").format(
                withdrawn=describe_withdrawal(fitting)
            ),
        )
    if removed := describe_removal(fitting):
        raise refusal("removed_already", removed)
    return fitting


def require_removal(fitting: Fitting, removal: str, at: datetime) -> None:
    """Refused: a reason that is none, a time before the part was fitted."""
    if removal not in Fitting.Removal.values:
        raise refusal(
            "unknown_removal",
            _("Say why: one of {choices}.").format(choices=", ".join(Fitting.Removal.values)),
            "removal",
        )
    if at < fitting.start:
        raise refusal(
            "before_fitting",
            _("The part was fitted on {time}. Give a time after that.").format(
                time=format_time(fitting.start)
            ),
            "at",
        )


def _take_off(fitting: Fitting, removal: str, at: datetime, by: Any) -> None:
    require_removal(fitting, removal, at)
    fitting.end, fitting.removal, fitting.removed_by = at, removal, by
    fitting.save(update_fields=["end", "removal", "removed_by"])
    machine_changed(fitting.site)


def _fit_new(site: Site, kind: PartKind, at: datetime, by: Any) -> Fitting:
    if in_stock([kind]).get(kind.pk, 0) < 1:
        raise refusal(
            "not_in_stock",
            _("No {kind} is in stock. Receive some first, or choose another.").format(kind=kind),
            "kind",
        )
    fitting = _fit(Part.objects.create(kind=kind), site, at, by)
    StockEntry.objects.create(
        kind=kind,
        at=at,
        change=-1,
        cause=Statement("cause.fitted", {"site": str(site)}),
        fitting=fitting,
        recorded_by=by,
    )
    return fitting


def _fit(part: Part, site: Site, at: datetime, by: Any) -> Fitting:
    place = {"toolhead": site} if isinstance(site, Toolhead) else {"printer": site}
    fitting = Fitting.objects.create(part=part, role=part.kind.role, start=at, recorded_by=by, **place)
    recount_site_wear(site, at)
    machine_changed(site)
    sweep_parts()
    return fitting


def require_free_role(site: Site, role: str, at: datetime) -> None:
    """Refused: the wrong site for a role, one that has its part at that time or later."""
    name = PartKind.Role(role).label
    if role in IN_NO_MACHINE:
        raise refusal(
            "fits_no_machine",
            _("A {name} is fitted to no machine. Count it out of the stock instead.").format(name=name),
            "kind",
        )
    if (role in ON_A_PRINTER) != isinstance(site, Printer):
        if role in ON_A_PRINTER:
            whole = _("The {name} is fitted to the printer, not to one of its toolheads. Choose that.")
            raise refusal("fits_printer", whole.format(name=name), "kind")
        raise refusal(
            "fits_toolhead", _("The {name} is fitted to a toolhead. Choose that.").format(name=name), "kind"
        )
    current = site.fittings.valid().filter(_lasting_at(at), role=role).select_related("part__kind").last()
    if current is None:
        return
    if current.end is not None:
        raise refusal(
            "role_taken_then",
            _("{part} was on it until {time}. Give a later time.").format(
                part=current.part, time=format_time(current.end)
            ),
            "at",
        )
    raise refusal(
        "role_taken",
        _("{site} has its {part}. Replace it, or take it off first.").format(site=site, part=current.part),
    )


def _lasting_at(at: datetime) -> Q:
    return Q(end=None) | Q(end__gt=at)


def lock_site(site: Site) -> Site:
    """Its row locked until the transaction ends: one writer at a time."""
    if isinstance(site, Printer):
        return Printer.objects.select_for_update(no_key=True).get(pk=site.pk)
    return (
        Toolhead.objects.select_for_update(no_key=True, of=("self",))
        .select_related("printer")
        .get(pk=site.pk)
    )
