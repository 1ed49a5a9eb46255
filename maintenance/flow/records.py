"""Recording flow checks, with the grams that they take from a spool."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, NotRequired, TypedDict, Unpack

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from maintenance import limits
from maintenance.changes import FLOW, PARTS, facts_changed, toolheads_changed
from maintenance.checks import require_loaded
from maintenance.flow.curve import CheckRefused, CheckSetup, RateMasses, require_possible_masses
from maintenance.flow.history import build_setup
from maintenance.models import Fitting, FlowBlob, FlowCheck, PartKind, Toolhead
from maintenance.wear.heat import hot_end_limit
from maintenance.wear.wording import format_heat_limiter
from spools.catalogue.values import material_values
from spools.checks import lock_spool, lock_spool_facts, require_past_time, require_within
from spools.facts import follows_withdrawal
from spools.inventory.ledger import take, withdraw_printed
from spools.models import Spool
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_temperature, format_temperature_difference

TOLERANCE_MM = 0.05
# Nobody prints further than this outside a feedstock's window, K. Common practice, no source.
OUTSIDE_WINDOW_K = 30.0


class SetupNumbers(TypedDict):
    """The numbers of a setup, as for require_setup."""

    length_mm: float
    resolution_g: float
    diameter_mm: NotRequired[float | None]
    diameter_tolerance_mm: NotRequired[float]


def require_setup(
    spool: Spool,
    *,
    length_mm: float,
    resolution_g: float,
    diameter_mm: float | None = None,
    diameter_tolerance_mm: float = TOLERANCE_MM,
) -> CheckSetup:
    """The setup of a check. diameter_mm None: the diameter of the feedstock.

    Raises ValidationError on numbers that no check has.
    """
    if diameter_mm is None:
        diameter_mm = spool.feedstock.diameter_mm
    return build_setup(
        spool.feedstock,
        length_mm=require_within("length_mm", length_mm, *limits.BLOB_MM),
        diameter_mm=require_within("diameter_mm", diameter_mm, *limits.BLOB_DIAMETER_MM),
        diameter_tolerance_mm=require_within(
            "diameter_tolerance_mm", diameter_tolerance_mm, *limits.DIAMETER_TOLERANCE_MM
        ),
        resolution_g=require_within("resolution_g", resolution_g, *limits.SCALE_STEP_G),
    )


def require_temperature(toolhead: Toolhead, spool: Spool, nozzle_c: float, at: datetime) -> float:
    """The nozzle temperature, °C, if the hot end allows it and the filament is printed near it.

    at: whose parts count. Raises ValidationError otherwise.
    """
    nozzle_c = require_within("nozzle_c", nozzle_c, *limits.NOZZLE_C)
    is_fitted = Q(end=None) | Q(end__gt=at)
    fitted = Fitting.objects.valid().filter(
        is_fitted, toolhead=toolhead, role__in=[PartKind.Role.NOZZLE, PartKind.Role.LINER], start__lte=at
    )
    part_limits = fitted.values_list("part__kind__name", "part__kind__max_c")
    limit_c, limited_by = hot_end_limit(toolhead.hot_end_max_c, toolhead.ptfe_lined, part_limits)
    if nozzle_c > limit_c:
        raise refusal(
            "too_hot_for_hot_end",
            _("{toolhead}: {limited_by} allows {limit}, not {nozzle}. Give at most that.").format(
                toolhead=toolhead,
                limited_by=format_heat_limiter(limited_by),
                limit=format_temperature(limit_c, 0),
                nozzle=format_temperature(nozzle_c),
            ),
            "nozzle_c",
        )
    values = material_values(spool.feedstock)
    low_c, high_c = values.nozzle_min_c, values.nozzle_max_c
    if not low_c - OUTSIDE_WINDOW_K <= nozzle_c <= high_c + OUTSIDE_WINDOW_K:
        raise refusal(
            "outside_print_window",
            _(
                "{polymer} prints at {low} to {high}; {nozzle} is more than "
                "{difference} outside. Give what you print it with."
            ).format(
                polymer=spool.feedstock.polymer,
                low=format_temperature(low_c, 0),
                high=format_temperature(high_c, 0),
                nozzle=format_temperature(nozzle_c),
                difference=format_temperature_difference(OUTSIDE_WINDOW_K),
            ),
            "nozzle_c",
        )
    return nozzle_c


@transaction.atomic
def record_flow_check(
    *,
    toolhead: Toolhead,
    spool: Spool,
    rates: Sequence[RateMasses],
    nozzle_c: float,
    at: datetime | None = None,
    note: str = "",
    by: Any = None,
    **setup_numbers: Unpack[SetupNumbers],
) -> FlowCheck:
    """Records the blobs of a check, slow reference first; the spool gives their grams.

    Refused: a spool that was not loaded there then, a temperature that is not for them, masses and rates that
    cannot be, a scale too coarse for the length.
    """
    lock_spool_facts()
    toolhead = (
        Toolhead.objects.select_for_update(no_key=True, of=("self",))
        .select_related("printer")
        .get(pk=toolhead.pk)
    )
    spool = lock_spool(spool)
    at = require_past_time(at, spool)
    require_loaded(toolhead, spool, at)
    nozzle_c = require_temperature(toolhead, spool, nozzle_c, at)
    setup = require_setup(spool, **setup_numbers)
    try:
        require_possible_masses(setup, rates)
    except CheckRefused as refused:
        raise refusal(refused.code, str(refused), refused.field) from None
    check = FlowCheck(
        toolhead=toolhead,
        spool=spool,
        at=at,
        nozzle_c=nozzle_c,
        length_mm=setup.length_mm,
        diameter_mm=setup.diameter_mm,
        diameter_tolerance_mm=setup.diameter_tolerance_mm,
        resolution_g=setup.resolution_g,
        note=note.strip(),
        recorded_by=by,
    )
    check.clean_fields(exclude=["entry"])
    extruded_g = sum(sum(rate.masses_g) for rate in rates)
    check.entry = take(
        spool, extruded_g, at=at, cause=Statement("cause.flow_check", {"toolhead": str(toolhead)}), by=by
    )
    check.save(force_insert=True)
    FlowBlob.objects.bulk_create(
        FlowBlob(flow_check=check, flow_mm3_s=rate.flow_mm3_s, repeat=repeat, mass_g=mass_g)
        for rate in rates
        for repeat, mass_g in enumerate(rate.masses_g, start=1)
    )
    _check_changed(check)
    return check


def _lock_toolhead(check: FlowCheck) -> None:
    lock_spool_facts()
    Toolhead.objects.select_for_update(no_key=True, of=("self",)).get(pk=check.toolhead_id)


@follows_withdrawal(FlowCheck, prepare=_lock_toolhead)
def return_blobs(check: FlowCheck) -> None:
    """The grams of the blobs are on the spool again; limits and charts no longer heed the check."""
    withdraw_printed(check.entry, check)
    _check_changed(check)


def _check_changed(check: FlowCheck) -> None:
    toolheads_changed(Q(pk=check.toolhead_id))
    facts_changed(PARTS, FLOW)
