"""Loads the states of spools and toolheads that the readiness inputs are built from, in a few queries."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from django.db.models import QuerySet
from django.utils import timezone

from maintenance.models import Toolhead
from maintenance.parts.life import PartWear, load_fitted_parts
from maintenance.parts.wear_entries import filament_of
from maintenance.readiness.feeding_places import NO_FEED_PLACES, FeedPlaces, load_feed_places
from maintenance.readiness.inputs import ToolheadInputs
from maintenance.readiness.material_changes import LoadedMaterial, load_last_materials
from maintenance.readiness.occupation import NOTHING_AHEAD, Occupation, load_occupation
from maintenance.service.intervals import ServiceStatus, load_service_statuses
from maintenance.wear.abrasion import Filament
from spools.air.climate import Climate, room_airs
from spools.board.board import load_advice
from spools.inventory.ledger import Amount
from spools.models import DryingRun, Spool
from spools.moisture.deciding import find_deciding
from spools.moisture.state import Moisture, moisture_of
from spools.statements import Statement


@dataclass(frozen=True)
class SpoolState:
    """The state of a spool: its grams, its moisture and what decides it, the drying run it is in, and how to dry it."""

    spool: Spool
    amount: Amount
    moisture: Moisture | None
    run: DryingRun | None
    dry_advice: Statement
    filament: Filament
    decided_by: list[Statement] = field(default_factory=list)


@dataclass(frozen=True)
class MachineState:
    """The state of a toolhead: its fitted parts by role, the air around it.

    services: of the toolhead and its printer. fed: its last two loadings, the newest first. feed_places, occupation:
    those of the shop. inputs: what parts, services and fed give, where the board has it; they are empty then.
    """

    toolhead: Toolhead
    parts: dict[str, PartWear]
    climate: Climate
    services: list[ServiceStatus]
    fed: list[LoadedMaterial]
    feed_places: FeedPlaces = NO_FEED_PLACES
    occupation: Occupation = NOTHING_AHEAD
    inputs: ToolheadInputs | None = None


def load_spool_states(
    spools: Iterable[Spool], at: datetime | None = None, *, preloaded: bool = False
) -> dict[int, SpoolState]:
    """The states of spools, by their ids. preloaded: as for moisture_of."""
    moistures = moisture_of(spools, at, preloaded=preloaded)
    moment = at or timezone.now()
    advice = load_advice(moistures, moment)
    decided_by = find_deciding(
        {pk: moisture.history for pk, moisture in moistures.items()},
        {pk: moisture.winding for pk, moisture in moistures.items()},
    )
    states = {}
    for pk, moisture in moistures.items():
        history = moisture.history
        filament = filament_of(history.spool.feedstock)
        run = history.run_at(moment)
        states[pk] = SpoolState(
            history.spool, history.remaining(), moisture, run, advice[pk], filament, decided_by[pk]
        )
    return states


def load_machine_states(toolheads: QuerySet[Toolhead], at: datetime | None = None) -> dict[int, MachineState]:
    """The states of toolheads, by their ids."""
    by_id = {row.pk: row for row in toolheads.select_related("printer__place")}
    parts: dict[int, dict[str, PartWear]] = {pk: {} for pk in by_id}
    for part in load_fitted_parts(by_id, at):
        site = part.fitting
        for row in by_id.values():
            if site and (site.toolhead_id == row.pk or site.printer_id == row.printer_id):
                parts[row.pk][part.kind.role] = part
    airs = room_airs([row.printer.place for row in by_id.values()], at)
    services = load_service_statuses(by_id.values(), at)
    fed = load_last_materials(by_id, at)
    feed_places = load_feed_places(at)
    # A past print is judged without the jobs of today.
    occupation = load_occupation() if at is None else NOTHING_AHEAD
    return {
        pk: MachineState(
            row,
            parts[pk],
            airs[row.printer.place_id],
            [status for status in services if status.concerns(row)],
            fed[pk],
            feed_places,
            occupation,
        )
        for pk, row in by_id.items()
    }
