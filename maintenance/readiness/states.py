"""Loads the states of spools and toolheads that the readiness inputs are built from, in a few queries."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from django.db.models import OuterRef, QuerySet, Subquery
from django.utils import timezone

from maintenance.models import Loading, Toolhead
from maintenance.parts.life import PartWear, load_fitted_parts
from maintenance.parts.wear_entries import filament_of
from maintenance.readiness.material_changes import LoadedMaterial, load_last_materials
from maintenance.service.intervals import ServiceStatus, load_service_statuses
from maintenance.wear.abrasion import Filament
from spools.air.climate import Climate, room_airs
from spools.drying.caps import compute_cap, joining_set_point_c
from spools.drying.gate import open_runs
from spools.drying.heat_budget import ALL, compute_heat, usual_life_share
from spools.inventory.ledger import Amount
from spools.models import DryingRun, Place, Spool
from spools.moisture.state import Moisture, moisture_of
from spools.statements import Statement


@dataclass(frozen=True)
class SpoolState:
    """The state of a spool: its grams, its moisture, the drying run it is in, and how to dry it."""

    spool: Spool
    amount: Amount
    moisture: Moisture | None
    run: DryingRun | None
    dry_advice: Statement
    filament: Filament


@dataclass(frozen=True)
class MachineState:
    """The state of a toolhead: the id of the spool on it, its fitted parts by role, the air around it.

    services: of the toolhead and its printer. fed: its last two loadings, the newest first.
    """

    toolhead: Toolhead
    loaded: int | None
    parts: dict[str, PartWear]
    climate: Climate
    services: list[ServiceStatus]
    fed: list[LoadedMaterial]


class Dryers(NamedTuple):
    """The dryers of the shop, with the rooms whose air they take in, and the open drying runs."""

    places: list[Place]
    runs: list[DryingRun]

    def runs_in(self, dryer: Place) -> list[DryingRun]:
        return [run for run in self.runs if run.dryer_id == dryer.pk]


def load_dryers() -> Dryers:
    """Loads the dryers of the shop and their open runs. Two queries."""
    places = Place.objects.filter(kind=Place.Kind.DRYER).select_related("room")
    return Dryers(list(places), list(open_runs()))


def load_spool_states(
    spools: Iterable[Spool], dryers: Dryers, at: datetime | None = None, *, preloaded: bool = False
) -> dict[int, SpoolState]:
    """The states of spools, by their ids.

    dryers: all of the shop, for the remedy. preloaded: as for moisture_of.
    """
    moistures = moisture_of(spools, at, preloaded=preloaded)
    then = at or timezone.now()
    states = {}
    for pk, moisture in moistures.items():
        history = moisture.history
        run = history.run_at(then)
        advice = dry_advice(history.spool, dryers, history.runs, run)
        filament = filament_of(history.spool.feedstock)
        states[pk] = SpoolState(history.spool, history.remaining(), moisture, run, advice, filament)
    return states


def dry_advice(
    spool: Spool, dryers: Dryers, past_runs: Sequence[DryingRun], run: DryingRun | None
) -> Statement:
    """Where and how hot to dry a spool, or the run that it is in. The plan on the spool's page adds the hours."""
    if run is not None:
        return Statement("readiness.is_in_dryer", {"dryer": str(run.dryer)})
    if not dryers.places:
        return Statement("readiness.no_dryer")
    set_points_c = {dryer: joining_set_point_c(spool, dryer, dryers.runs) for dryer in dryers.places}
    dryer, set_point_c = max(set_points_c.items(), key=lambda item: item[1])
    limits = compute_cap(spool, dryer)
    values = {"dryer": str(dryer), "set_point_c": set_point_c}
    share = compute_heat(spool, past_runs, timezone.now()).life_share
    if share is not None and share + usual_life_share(spool) > ALL:
        return Statement("readiness.heat_used_up", values | {"used_pct": 100 * share})
    stages = {"starts_cooler": limits.start_c < set_point_c, "ends_hotter": limits.two_stages}
    return Statement("readiness.dry_in", values | stages)


def load_machine_states(toolheads: QuerySet[Toolhead], at: datetime | None = None) -> dict[int, MachineState]:
    """The states of toolheads, by their ids."""
    loaded = Loading.objects.present().filter(toolhead=OuterRef("pk")).values("spool")[:1]
    rows = toolheads.select_related("printer__place").annotate(loaded=Subquery(loaded))
    by_id = {row.pk: row for row in rows}
    parts: dict[int, dict[str, PartWear]] = {pk: {} for pk in by_id}
    for part in load_fitted_parts(by_id, at):
        site = part.fitting
        for row in by_id.values():
            if site and (site.toolhead_id == row.pk or site.printer_id == row.printer_id):
                parts[row.pk][part.kind.role] = part
    airs = room_airs([row.printer.place for row in by_id.values()], at)
    services = load_service_statuses(by_id.values(), at)
    fed = load_last_materials(by_id, at)
    return {
        pk: MachineState(
            row,
            row.loaded,
            parts[pk],
            airs[row.printer.place_id],
            [status for status in services if status.concerns(row)],
            fed[pk],
        )
        for pk, row in by_id.items()
    }
