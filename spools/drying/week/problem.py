"""Builds the week that the heuristic plans: requests, spools and dryers as numbers, computed by the physics.

How long a drying takes follows from the water that a spool will hold when it goes in; how long it is good
afterwards, from the air of the driest storage. Both allow for the same doubt as every drying plan.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from django.utils import timezone

from spools.drying.dryers import capacity_of
from spools.drying.options import next_quarter
from spools.drying.week.inputs import WeekInputs, load_inputs
from spools.drying.week.model import URGENT_WEIGHT, Option, Request, SpoolSupply, Week
from spools.drying.week.options import Details, build_options
from spools.drying.week.settled import SettledDryings, settle_dryings
from spools.drying.week.slots import SLOT, SLOTS_H, StaffedHours
from spools.drying.week.storage_life import good_until
from spools.inventory.ledger import Amount
from spools.models import Place, PlannedDrying, PrintRequest, Spool
from spools.statements import Statement

# The week goes on after the last request for as long as the longest drying, for requests that will be late.
AFTER_LAST_H = 72
# A print takes its spool for so long. Common practice, no source.
PRINTED_G_H = 15.0


@dataclass
class Problem:
    """A week as numbers, and the rows that they stand for. lacking: why a spool has no option, by its id."""

    begin: datetime
    week: Week
    spools: dict[int, Spool]
    dryers: dict[int, Place]
    amounts: dict[int, Amount]
    requests: dict[int, PrintRequest]
    matching: dict[int, list[Spool]]
    details: Details
    lacking: dict[int, Statement]
    notes: list[Statement]

    def at(self, slot: int) -> datetime:
        """The time of a slot."""
        return self.begin + slot * SLOT


def build_problem(
    requests: Sequence[PrintRequest],
    hours: StaffedHours,
    pinned: Iterable[PlannedDrying] = (),
    now: datetime | None = None,
) -> Problem:
    """The week from now on for these requests; ``pinned``: dryings that stay, in the order of their starts.

    The number of queries grows only with the settled dryings and the times at which readings expire.
    """
    begin = next_quarter(now or timezone.now())
    last = max([begin, *(request.due_at for request in requests)])
    slots = math.ceil((last - begin) / SLOT) + AFTER_LAST_H * SLOTS_H
    inputs = load_inputs(begin, slots, requests, hours)
    capacity = {pk: capacity_of(dryer, inputs.running_in(dryer)) for pk, dryer in inputs.dryers.items()}
    settled = settle_dryings(inputs, capacity, pinned)
    inputs = replace(inputs, slots=settled.slots)
    good = {spool.pk: good_until(inputs, spool) for spool in inputs.candidates.values()}
    due = {request.pk: inputs.slot_at(request.due_at) for request in requests}
    wet = [
        spool
        for pk, spool in inputs.candidates.items()
        if pk not in settled.fixed
        and good[pk] < max(due[request.pk] for request in inputs.requests_for(spool))
    ]
    options = build_options(inputs, wet)
    week = Week(
        inputs.slots,
        tuple(inputs.bounds[:-1]),
        _stretches(inputs.staffed),
        capacity,
        _build_stock(inputs, settled, good, options.by_spool),
        tuple(_build_request(inputs, request, due[request.pk]) for request in requests),
    )
    return Problem(
        begin=begin,
        week=week,
        spools=inputs.spools,
        dryers=inputs.dryers,
        amounts=inputs.amounts,
        requests={request.pk: request for request in requests},
        matching=inputs.matching,
        details=settled.details | options.details,
        lacking=options.lacking,
        notes=_capacity_notes(inputs) + settled.notes,
    )


def _build_stock(
    inputs: WeekInputs, settled: SettledDryings, good: dict[int, int], options: dict[int, list[Option]]
) -> tuple[SpoolSupply, ...]:
    drying_now = {run.spool_id for run in inputs.runs}
    supplies = [
        SpoolSupply(
            pk,
            inputs.surely_g(spool),
            -1 if pk in drying_now else good[pk],
            tuple(options.get(pk, [])),
            settled.fixed.get(pk),
            tuple(
                (inputs.slot_at(row.start), inputs.slot_after(row.end)) for row in inputs.prints.get(pk, [])
            ),
        )
        for pk, spool in sorted(inputs.candidates.items())
    ]
    # A settled drying that no request needs takes its room in the dryer all the same.
    settled_only = [
        SpoolSupply(pk, 0, -1, (), fixed)
        for pk, fixed in sorted(settled.fixed.items())
        if pk not in inputs.candidates
    ]
    return (*supplies, *settled_only)


def _build_request(inputs: WeekInputs, request: PrintRequest, due: int) -> Request:
    return Request(
        request.pk,
        tuple(spool.pk for spool in inputs.enough[request.pk]),
        math.ceil(request.mass_g),
        due,
        URGENT_WEIGHT if request.urgent else 1,
        math.ceil(request.mass_g / PRINTED_G_H * SLOTS_H),
    )


def _capacity_notes(inputs: WeekInputs) -> list[Statement]:
    return [
        Statement("week.capacity_unknown", {"dryer": str(dryer)})
        for dryer in inputs.dryers.values()
        if dryer.spool_capacity is None and inputs.running_in(dryer) <= 1
    ]


def _stretches(slots: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Slots that follow one another, as (first, last)."""
    stretches: list[tuple[int, int]] = []
    for slot in slots:
        if stretches and stretches[-1][1] == slot - 1:
            stretches[-1] = (stretches[-1][0], slot)
        else:
            stretches.append((slot, slot))
    return tuple(stretches)
