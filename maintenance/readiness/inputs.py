"""Gathers what the readiness rules look at, for many pairs of toolhead and spool in a few queries."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import pi
from typing import NamedTuple

from django.db.models import OuterRef, QuerySet, Subquery
from django.utils import timezone

from maintenance.flow.history import EvaluatedCheck, changed_since, last_flows, material_of
from maintenance.gcode import Retractions
from maintenance.models import Loading, ServiceKind, Toolhead
from maintenance.parts.life import PartWear, fitted_parts
from maintenance.parts.wear_entries import UNIT_WORDS, counter, filament_of, surface_of
from maintenance.readiness.material_changes import LoadedMaterial, change_to, last_fed
from maintenance.readiness.rules import (
    FittedPart,
    LastFlowCheck,
    OuterMoisture,
    ReadinessInputs,
    Verdict,
    judge,
)
from maintenance.service.intervals import ServiceStatus, added, load_service_statuses
from maintenance.wear.abrasion import Filament, Use, wear
from maintenance.wear.intervals import ServiceProgress
from spools.air.climate import Climate, room_airs
from spools.catalogue.values import material_values
from spools.checks import require_within
from spools.codes import pretty
from spools.drying.heat_budget import ALL, compute_heat, usual_life_share
from spools.drying.runs import SMALL_JOB_G, compute_cap, joining_set_point_c, open_runs
from spools.inventory.ledger import Amount
from spools.models import DryingRun, Place, Spool
from spools.moisture.state import Moisture, forecast, moisture_of
from spools.physics_inputs import ConstantAir
from spools.wording import format_day, format_time

Pair = tuple[Toolhead, Spool]
SMALL_JOB_H = 2.0
LEAST_JOB_G = 1.0


@dataclass(frozen=True)
class JobSpec:
    """A job to judge for. Raises ValidationError on a number that no print has.

    max_flow_mm3_s: its fastest flow, None when it is not known. retractions, diameter_mm: what its file says
    and the filament that it was read for, None without a file.
    """

    mass_g: float
    hours: float
    nozzle_c: float
    bed_c: float
    max_flow_mm3_s: float | None = None
    retractions: Retractions | None = None
    diameter_mm: float | None = None

    def __post_init__(self) -> None:
        require_within("mass_g", self.mass_g, 0.01, 20_000, "g")
        require_within("hours", self.hours, 0.01, 1000, "h")
        require_within("nozzle_c", self.nozzle_c, 0, 600, "°C")
        require_within("bed_c", self.bed_c, 0, 300, "°C")
        if self.max_flow_mm3_s is not None:
            require_within("max_flow_mm3_s", self.max_flow_mm3_s, 0.01, 500, "mm³/s")


@dataclass(frozen=True)
class SpoolState:
    """What is known of a spool: its grams, its moisture, the drying run it is in, and how to dry it."""

    spool: Spool
    amount: Amount
    moisture: Moisture | None
    run: DryingRun | None
    dry_advice: str
    filament: Filament


@dataclass(frozen=True)
class MachineState:
    """A toolhead with the id of the spool on it, its fitted parts by role, and the air around it.

    services: of it and its printer. fed: its last two loadings, the newest first.
    """

    toolhead: Toolhead
    loaded: int | None
    parts: dict[str, PartWear]
    climate: Climate
    services: list[ServiceStatus]
    fed: list[LoadedMaterial]


def verdict(
    toolhead: Toolhead, spool: Spool, job: JobSpec | None = None, *, at: datetime | None = None
) -> Verdict:
    """May this spool be printed on this toolhead, for this job? Without a job: for a small one."""
    return judge(load_inputs(toolhead, spool, job, at=at))


def verdicts(pairs: Sequence[Pair], job: JobSpec | None = None) -> dict[tuple[int, int], Verdict]:
    """The verdict of each pair, by (toolhead id, spool id)."""
    return {key: judge(found) for key, found in load_inputs_of_pairs(pairs, job).items()}


def load_inputs(
    toolhead: Toolhead, spool: Spool, job: JobSpec | None = None, *, at: datetime | None = None
) -> ReadinessInputs:
    """Everything that the rules look at for one pair."""
    return load_inputs_of_pairs([(toolhead, spool)], job, at=at)[toolhead.pk, spool.pk]


def load_inputs_of_pairs(
    pairs: Sequence[Pair], job: JobSpec | None = None, *, at: datetime | None = None
) -> dict[tuple[int, int], ReadinessInputs]:
    """Everything that the rules look at, by (toolhead id, spool id). The number of queries is fixed.

    at: a past time to judge for; what the spool holds is told as now.
    """
    known = load_spool_states([spool for _, spool in pairs], load_dryers(), at)
    machines = load_machine_states(Toolhead.objects.filter(pk__in={toolhead.pk for toolhead, _ in pairs}), at)
    wanted = [(machines[toolhead.pk], known[spool.pk]) for toolhead, spool in pairs]
    return build_inputs(wanted, job, at)


def build_inputs(
    wanted: Sequence[tuple[MachineState, SpoolState]],
    job: JobSpec | Callable[[MachineState, SpoolState], JobSpec] | None,
    at: datetime | None = None,
) -> dict[tuple[int, int], ReadinessInputs]:
    """The situations of pairs that were gathered. All forecasts are one call of the physics.

    job: one for all, what it is for each pair, or None for a small one.
    at: a past time that flow checks are looked up for; the rest is as it was gathered.
    """
    asked = {
        (machine.toolhead.pk, of.spool.pk): job(machine, of)
        if callable(job)
        else job or small_job(machine.toolhead, of)
        for machine, of in wanted
    }
    # Toolheads of one printer share its air, so they share the forecast of a spool.
    lanes: dict[tuple[int, int, float], tuple[Moisture, ConstantAir]] = {}
    for machine, of in wanted:
        place, climate = machine.toolhead.printer.place, machine.climate
        hours = asked[machine.toolhead.pk, of.spool.pk].hours
        if of.moisture is not None:
            air = ConstantAir(hours, climate.temperature_c, climate.rh_pct, place.moved_air)
            lanes[place.pk, of.spool.pk, hours] = (of.moisture, air)
    ends = dict(zip(lanes, forecast(list(lanes.values())), strict=True))
    then = at or timezone.now()
    flows: dict[tuple[int, int, int | None], EvaluatedCheck] = {}
    if any(one.max_flow_mm3_s is not None for one in asked.values()):
        flows = last_flows({machine.toolhead.pk for machine, _ in wanted}, then)
    return {
        (machine.toolhead.pk, of.spool.pk): _situation(
            machine,
            of,
            job_,
            ends.get((machine.toolhead.printer.place_id, of.spool.pk, job_.hours)),
            _flow_seen(flows.get((machine.toolhead.pk, *material_of(of.spool.feedstock))), then),
        )
        for machine, of in wanted
        for job_ in [asked[machine.toolhead.pk, of.spool.pk]]
    }


def small_job(toolhead: Toolhead, of: SpoolState) -> JobSpec:
    """50 g or what is surely left, 2 h, the middle of the feedstock's temperatures where the machine can."""
    left_g = of.amount.low_g - _tail_g(toolhead, of.filament)
    values = material_values(of.spool.feedstock)
    nozzle = _between(values.nozzle_min_c, values.nozzle_max_c, toolhead.hot_end_max_c)
    bed = _between(values.bed_min_c, values.bed_max_c, toolhead.printer.bed_max_c)
    return JobSpec(max(LEAST_JOB_G, min(SMALL_JOB_G, left_g)), SMALL_JOB_H, nozzle, bed)


def _between(low_c: float, high_c: float, limit_c: float) -> float:
    return max(low_c, min((low_c + high_c) / 2, limit_c))


class Dryers(NamedTuple):
    """The shop's dryers, with the rooms whose air they take in, and the runs in them."""

    places: list[Place]
    runs: list[DryingRun]

    def runs_in(self, dryer: Place) -> list[DryingRun]:
        return [run for run in self.runs if run.dryer_id == dryer.pk]


def load_dryers() -> Dryers:
    places = Place.objects.filter(kind=Place.Kind.DRYER).select_related("room")
    return Dryers(list(places), list(open_runs()))


def load_spool_states(
    spools: Iterable[Spool], dryers: Dryers, at: datetime | None = None, *, preloaded: bool = False
) -> dict[int, SpoolState]:
    """What is known of spools, by their ids; dryers: all of the shop, for the remedy.

    preloaded: as for moisture_of.
    """
    moistures = moisture_of(spools, at, preloaded=preloaded)
    then = at or timezone.now()
    known = {}
    for pk, moisture in moistures.items():
        history = moisture.history
        run = history.run_at(then)
        advice = dry_advice(history.spool, dryers, history.runs) if run is None else f"It is in {run.dryer}."
        filament = filament_of(history.spool.feedstock)
        known[pk] = SpoolState(history.spool, history.remaining(), moisture, run, advice, filament)
    return known


def dry_advice(spool: Spool, dryers: Dryers, had: Sequence[DryingRun]) -> str:
    """How it would be dried here; for how long, a plan tells, with the physics. had: its runs so far."""
    if not dryers.places:
        return "Dry it. There is no dryer here yet: add one to see a plan."
    set_points_c = {dryer: joining_set_point_c(spool, dryer, dryers.runs) for dryer in dryers.places}
    dryer, set_point_c = max(set_points_c.items(), key=lambda item: item[1])
    own = compute_cap(spool, dryer)
    stages = ""
    if own.start_c < set_point_c:
        stages = ", after a cooler first stage"
    elif own.two_stages:
        stages = ", hotter once it has lost the water that softens it"
    share = compute_heat(spool, had, timezone.now()).life_share
    if share is not None and share + usual_life_share(spool) > ALL:
        return (
            f"{100 * share:.0f} % of what a polyamide may have of hot air is used up: keep it dry, or dry it "
            f"only as far as this job needs, no hotter than {set_point_c:g} °C in {dryer}; its page has "
            "the plan."
        )
    return f"Dry it in {dryer} at {set_point_c:g} °C{stages}; its page works out for how long."


def load_machine_states(toolheads: QuerySet[Toolhead], at: datetime | None = None) -> dict[int, MachineState]:
    """Toolheads with what is on them and the air around them, by their ids."""
    loaded = Loading.objects.present().filter(toolhead=OuterRef("pk")).values("spool")[:1]
    rows = toolheads.select_related("printer__place").annotate(loaded=Subquery(loaded))
    by_id = {row.pk: row for row in rows}
    parts: dict[int, dict[str, PartWear]] = {pk: {} for pk in by_id}
    for of in fitted_parts(by_id, at):
        there = of.fitting
        for row in by_id.values():
            if there and (there.toolhead_id == row.pk or there.printer_id == row.printer_id):
                parts[row.pk][of.kind.role] = of
    airs = room_airs([row.printer.place for row in by_id.values()], at)
    services = load_service_statuses(by_id.values(), at)
    fed = last_fed(by_id, at)
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


def _situation(
    machine: MachineState, of: SpoolState, job: JobSpec, end: Moisture | None, flow: LastFlowCheck | None
) -> ReadinessInputs:
    spool, toolhead = of.spool, machine.toolhead
    feedstock = spool.feedstock
    polymer, filler, values = feedstock.polymer, feedstock.filler, material_values(feedstock)
    drying, drying_remedy = _in_the_dryer(of.run)
    hot_end, services = _services(machine, spool, job)
    return ReadinessInputs(
        spool=pretty(spool.code),
        toolhead=str(toolhead),
        polymer=polymer.name,
        job_mass_g=job.mass_g,
        job_hours=job.hours,
        nozzle_c=job.nozzle_c,
        bed_c=job.bed_c,
        nozzle_min_c=values.nozzle_min_c,
        nozzle_max_c=values.nozzle_max_c,
        bed_min_c=values.bed_min_c,
        bed_max_c=values.bed_max_c,
        hot_end_max_c=toolhead.hot_end_max_c,
        bed_limit_c=toolhead.printer.bed_max_c,
        ptfe_lined=toolhead.ptfe_lined,
        enclosed=toolhead.printer.enclosed,
        enclosure=polymer.enclosure,
        emission=polymer.emission,
        limit_clear_pct=values.limit_clear_pct,
        limit_hold_pct=values.limit_hold_pct,
        now=_wetness(spool, of.moisture, job.mass_g),
        end=_wetness(spool, end, job.mass_g),
        low_g=of.amount.low_g,
        likely_g=of.amount.mass_g,
        high_g=of.amount.high_g,
        tail_g=_tail_g(toolhead, of.filament),
        filler=filler.name if filler else "",
        filler_hv=filler.hardness_hv if filler else 0.0,
        filler_high_hv=filler.hardness_high_hv if filler else 0.0,
        parts={role: _fitted(part, of.filament, job) for role, part in machine.parts.items()},
        drying=drying,
        drying_remedy=drying_remedy,
        dry_advice=of.dry_advice,
        max_flow_mm3_s=job.max_flow_mm3_s,
        retractions=job.retractions,
        guided=toolhead.feed == Toolhead.Feed.GUIDED,
        diameter_mm=of.filament.diameter_mm,
        job_diameter_mm=job.diameter_mm,
        flow=flow,
        hot_end=hot_end,
        services=services,
        change=change_to(spool, machine.fed, job.nozzle_c),
    )


def _flow_seen(last: EvaluatedCheck | None, at: datetime) -> LastFlowCheck | None:
    if last is None:
        return None
    at_5, at_10 = last.usable()
    return LastFlowCheck(
        on=format_day(last.check.at),
        days_ago=(at - last.check.at) / timedelta(days=1),
        nozzle_c=last.check.nozzle_c,
        changed=" and ".join(fitting.get_role_display() for fitting in changed_since(last, at)),
        at_5=at_5,
        at_10=at_10,
    )


def _services(
    machine: MachineState, spool: Spool, job: JobSpec
) -> tuple[ServiceProgress | None, list[ServiceProgress]]:
    """Since the hot end was cleaned (of several such services the nearest its end), and since the others."""
    hot_ends: list[ServiceProgress] = []
    others: list[ServiceProgress] = []
    for status in machine.services:
        ahead = added(status.kind.unit, job.hours, job.nozzle_c, job.mass_g, spool.feedstock)
        since = replace(status.since, ahead=ahead)
        (hot_ends if status.kind.work == ServiceKind.Work.HOT_END else others).append(since)
    return max(hot_ends, key=lambda since: since.share, default=None), others


def _wetness(spool: Spool, moisture: Moisture | None, mass_g: float) -> OuterMoisture | None:
    if moisture is None:
        return None
    values = material_values(spool.feedstock)
    over_clear, over_hold = (
        moisture.probability_over(limit_pct, mass_g)
        for limit_pct in (values.limit_clear_pct, values.limit_hold_pct)
    )
    return OuterMoisture(mass_g, *moisture.outer_pct(mass_g), over_clear=over_clear, over_hold=over_hold)


def _fitted(part: PartWear, filament: Filament, job: JobSpec) -> FittedPart:
    kind = part.kind
    worn = wear(Use(job.mass_g / 1000, job.hours, job.nozzle_c), filament, surface_of(kind))
    return FittedPart(
        name=kind.name,
        hardness_hv=kind.hardness_hv,
        max_c=kind.max_c,
        life=part.expected,
        unit=UNIT_WORDS[kind.life_unit],
        age=part.age,
        ahead=counter(kind, worn),
        sound_at=part.sound_at,
        in_stock=part.in_stock,
    )


def _in_the_dryer(run: DryingRun | None) -> tuple[str, str]:
    """That it is in a drying run, in words, and the remedy; two empty texts when it is not."""
    if run is None:
        return "", ""
    sentence = f"It dries in {run.dryer} at {run.temperatures}, planned until {format_time(run.planned_end)}."
    return (
        sentence,
        "Take it out of the dryer when it is dry enough: its page tells from when on it likely is.",
    )


def _tail_g(toolhead: Toolhead, filament: Filament) -> float:
    """Filament between drive and nozzle, which cannot be fed once the spool ends."""
    area_mm2 = pi * filament.diameter_mm**2 / 4
    return toolhead.tail_mm * area_mm2 * filament.density_g_cm3 / 1000
