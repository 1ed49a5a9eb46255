"""Parts: facts that were mistakes. Fittings and stock entries are withdrawn, removals corrected or taken back."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from maintenance.changes import STOCK, facts_changed
from maintenance.models import BoreReading, Fitting, PriorUse, StockEntry
from maintenance.parts.fitting import lives_changed, lock_site, machine_changed, require_removal
from maintenance.parts.stock import lock_kind
from maintenance.parts.wear_entries import in_stock, recount_site_wear
from spools.checks import require_past_time
from spools.facts import describe_withdrawal, follows_withdrawal, mark_withdrawn, withdraw
from spools.refusals import refusal
from spools.wording import format_time


@transaction.atomic
def correct_removal(
    fitting: Fitting, removal: str, *, reason: str, at: datetime | None = None, by: Any = None
) -> Fitting:
    """Another reason or time of a removal, for ``reason``. Returns the fitting that counts instead.

    at: when it came off; None: as recorded. Refused: a part that is fitted, a time at which another part was
    in its role or it was fitted elsewhere.
    """
    fitting = _lock_removed(fitting)
    at = fitting.end if at is None else require_past_time(at)
    assert at is not None
    require_removal(fitting, removal, at)
    _require_free_until(fitting, at)
    return _replace(fitting, end=at, removal=removal, reason=reason, by=by)


@transaction.atomic
def withdraw_removal(fitting: Fitting, *, reason: str, by: Any = None) -> Fitting:
    """The part never came off. Returns the fitting that counts instead; it lasts.

    Refused: a part that is fitted, here or elsewhere, and a role that another part took since.
    """
    fitting = _lock_removed(fitting)
    _require_free_until(fitting, None)
    return _replace(fitting, end=None, removal="", reason=reason, by=by)


def _lock_removed(fitting: Fitting) -> Fitting:
    lock_site(fitting.site)
    fitting = Fitting.objects.select_for_update(no_key=True, of=("self",)).get(pk=fitting.pk)
    if fitting.withdrawn_at is not None:
        raise refusal(
            "withdrawn_already",
            _("This fitting was {withdrawn} already.").format(withdrawn=describe_withdrawal(fitting)),
        )
    if fitting.end is None:
        raise refusal(
            "still_fitted",
            _("{part} is on {site}. There is no removal to correct.").format(
                part=fitting.part, site=fitting.site
            ),
        )
    return fitting


def _require_free_until(fitting: Fitting, until: datetime | None) -> None:
    """Refused: another fitting of the part, or in its role there, that began before ``until``."""
    same_role = fitting.site.fittings.valid().filter(role=fitting.role)
    for others in (same_role, fitting.part.fittings.valid()):
        later = others.filter(start__gte=fitting.end).exclude(pk=fitting.pk).order_by("start")
        if until is not None:
            later = later.filter(start__lt=until)
        if (other := later.first()) is not None:
            raise refusal(
                "role_taken_since",
                _(
                    "{part} is on {site} since {time}. Give an earlier time, or withdraw that fitting first."
                ).format(part=other.part, site=other.site, time=format_time(other.start)),
                "at",
            )


def _replace(fitting: Fitting, *, end: datetime | None, removal: str, reason: str, by: Any) -> Fitting:
    corrected = Fitting.objects.create(
        part=fitting.part,
        toolhead=fitting.toolhead,
        printer=fitting.printer,
        role=fitting.role,
        start=fitting.start,
        end=end,
        removal=removal,
        recorded_by=by,
        removed_by=by if removal else None,
    )
    withdraw(fitting, reason=reason, by=by)
    return corrected


def _lock_fitting(fitting: Fitting) -> None:
    lock_site(fitting.site)


@follows_withdrawal(Fitting, prepare=_lock_fitting)
def count_without(fitting: Fitting) -> None:
    """A part that came from the drawer is in it again; jobs wore what else was fitted; lives are learnt again."""
    for taken in StockEntry.objects.valid().filter(fitting=fitting):
        mark_withdrawn(taken, by=fitting.withdrawn_by, reason=fitting.withdrawn_reason)
        if (other := fitting.part.fittings.valid().first()) is not None:
            # The part left the drawer in any case: corrected, or fitted again later.
            StockEntry.objects.create(
                kind=taken.kind,
                at=other.start,
                change=taken.change,
                cause=taken.cause,
                fitting=other,
                recorded_by=fitting.withdrawn_by,
            )
    recount_site_wear(fitting.site, fitting.start)
    machine_changed(fitting.site)
    lives_changed(fitting.part)


def _lock_drawer(entry: StockEntry) -> None:
    lock_kind(entry.kind)


@follows_withdrawal(StockEntry, prepare=_lock_drawer)
def require_stock_without(entry: StockEntry) -> None:
    """Refused: what was taken for a fitting, and parts that have left the drawer since."""
    if entry.fitting_id is not None:
        raise refusal(
            "taken_for_a_fitting", _("It was taken for a fitting. Withdraw that on the part's page.")
        )
    if entry.service_id is not None or entry.charge_id is not None:
        raise refusal(
            "taken_for_a_service", _("A service or a dry box took it. Withdraw that service or charge.")
        )
    if in_stock([entry.kind]).get(entry.kind_id, 0) < 0:
        raise refusal(
            "stock_used_since",
            _(
                "Some of these {kind} were used since. Correct the count with a negative entry instead."
            ).format(kind=entry.kind),
        )
    facts_changed(STOCK)


@follows_withdrawal(BoreReading)
def learn_without_reading(reading: BoreReading) -> None:
    """Lives are learnt without the reading."""
    lives_changed(reading.part)


@follows_withdrawal(PriorUse)
def learn_without_prior_use(prior: PriorUse) -> None:
    """The statement before it counts again; without one the part was new."""
    lives_changed(prior.part)
