"""Builds the readiness inputs of pairs of toolhead and spool from their states, and evaluates them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import pi

from django.utils import timezone

from maintenance import limits
from maintenance.flow.history import EvaluatedCheck, changed_since, load_last_checks, material_of
from maintenance.gcode import Retractions
from maintenance.models import ServiceKind, Toolhead
from maintenance.parts.life import PartWear
from maintenance.parts.wear_entries import UNIT_WORDS, counter, surface_of
from maintenance.readiness.inputs import FittedPart, LastFlowCheck, OuterMoisture, ReadinessInputs
from maintenance.readiness.material_changes import material_change
from maintenance.readiness.rules import judge
from maintenance.readiness.states import (
    MachineState,
    SpoolState,
    load_dryers,
    load_machine_states,
    load_spool_states,
)
from maintenance.readiness.verdict import Verdict
from maintenance.service.intervals import units_of_print
from maintenance.wear.abrasion import Filament, PrintUse, wear
from maintenance.wear.intervals import ServiceProgress
from spools.catalogue.values import material_values
from spools.checks import require_within
from spools.codes import pretty
from spools.models import DryingRun, Spool
from spools.moisture.state import Moisture, forecast
from spools.physics_inputs import SMALL_JOB_G, ConstantAir
from spools.wording import format_day, format_time

# Ids of a toolhead and a spool.
PairKey = tuple[int, int]
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
        require_within("mass_g", self.mass_g, *limits.JOB_G)
        require_within("hours", self.hours, *limits.JOB_HOURS)
        require_within("nozzle_c", self.nozzle_c, *limits.NOZZLE_C)
        require_within("bed_c", self.bed_c, *limits.BED_C)
        if self.max_flow_mm3_s is not None:
            require_within("max_flow_mm3_s", self.max_flow_mm3_s, *limits.FLOW_MM3_S)


def verdict(
    toolhead: Toolhead, spool: Spool, job: JobSpec | None = None, *, at: datetime | None = None
) -> Verdict:
    """May this spool be printed on this toolhead, for this job? Without a job: for a small one."""
    return judge(load_inputs(toolhead, spool, job, at=at))


def verdicts(pairs: Sequence[tuple[Toolhead, Spool]], job: JobSpec | None = None) -> dict[PairKey, Verdict]:
    """The verdict of each pair, by (toolhead id, spool id)."""
    return {key: judge(inputs) for key, inputs in load_inputs_of_pairs(pairs, job).items()}


def load_inputs(
    toolhead: Toolhead, spool: Spool, job: JobSpec | None = None, *, at: datetime | None = None
) -> ReadinessInputs:
    """The readiness inputs of one pair."""
    return load_inputs_of_pairs([(toolhead, spool)], job, at=at)[toolhead.pk, spool.pk]


def load_inputs_of_pairs(
    pairs: Sequence[tuple[Toolhead, Spool]], job: JobSpec | None = None, *, at: datetime | None = None
) -> dict[PairKey, ReadinessInputs]:
    """The readiness inputs by (toolhead id, spool id). The number of queries is fixed.

    at: a past time to judge for; the grams on the spool are those of now.
    """
    spools = load_spool_states([spool for _, spool in pairs], load_dryers(), at)
    machines = load_machine_states(Toolhead.objects.filter(pk__in={toolhead.pk for toolhead, _ in pairs}), at)
    states = [(machines[toolhead.pk], spools[spool.pk]) for toolhead, spool in pairs]
    return build_inputs(states, job, at)


def build_inputs(
    pairs: Sequence[tuple[MachineState, SpoolState]],
    job: JobSpec | Mapping[PairKey, JobSpec] | None = None,
    at: datetime | None = None,
) -> dict[PairKey, ReadinessInputs]:
    """The readiness inputs by (toolhead id, spool id). All forecasts are one call of the physics.

    job: one for all pairs, one for each, or None for a small one.
    at: a past time that flow checks are looked up for.
    """
    at = at or timezone.now()
    jobs = _jobs_by_pair(pairs, job)
    ends = _forecast_ends(pairs, jobs)
    checks: dict[tuple[int, int, int | None], EvaluatedCheck] = {}
    if any(job.max_flow_mm3_s is not None for job in jobs.values()):
        checks = load_last_checks({machine.toolhead.pk for machine, _ in pairs}, at)
    inputs = {}
    for machine, spool_state in pairs:
        key = _key(machine, spool_state)
        check = checks.get((machine.toolhead.pk, *material_of(spool_state.spool.feedstock)))
        flow = _last_flow_check(check, at)
        inputs[key] = _inputs(machine, spool_state, jobs[key], ends.get(key), flow)
    return inputs


def _key(machine: MachineState, spool_state: SpoolState) -> PairKey:
    return machine.toolhead.pk, spool_state.spool.pk


def _jobs_by_pair(
    pairs: Sequence[tuple[MachineState, SpoolState]], job: JobSpec | Mapping[PairKey, JobSpec] | None
) -> Mapping[PairKey, JobSpec]:
    if isinstance(job, Mapping):
        return job
    return {
        _key(machine, spool_state): job or small_job(machine.toolhead, spool_state)
        for machine, spool_state in pairs
    }


def _forecast_ends(
    pairs: Sequence[tuple[MachineState, SpoolState]], jobs: Mapping[PairKey, JobSpec]
) -> dict[PairKey, Moisture]:
    """The moisture of each spool after its job in the air of the machine."""
    # Toolheads of one printer share its air, so they share the forecast of a spool.
    lanes: dict[tuple[int, int, float], tuple[Moisture, ConstantAir]] = {}
    lane_of: dict[PairKey, tuple[int, int, float]] = {}
    for machine, spool_state in pairs:
        key, place, climate = _key(machine, spool_state), machine.toolhead.printer.place, machine.climate
        hours = jobs[key].hours
        if spool_state.moisture is not None:
            air = ConstantAir(hours, climate.temperature_c, climate.rh_pct, place.moved_air)
            lane_of[key] = place.pk, spool_state.spool.pk, hours
            lanes[lane_of[key]] = spool_state.moisture, air
    ends = dict(zip(lanes, forecast(list(lanes.values())), strict=True))
    return {key: ends[lane] for key, lane in lane_of.items()}


def small_job(toolhead: Toolhead, spool_state: SpoolState) -> JobSpec:
    """A job of 50 g, or what the spool surely holds, and 2 h, in the middle of the feedstock's temperatures.

    The machine's limits cut the temperatures.
    """
    left_g = spool_state.amount.low_g - _tail_g(toolhead, spool_state.filament)
    values = material_values(spool_state.spool.feedstock)
    nozzle = _between(values.nozzle_min_c, values.nozzle_max_c, toolhead.hot_end_max_c)
    bed = _between(values.bed_min_c, values.bed_max_c, toolhead.printer.bed_max_c)
    return JobSpec(max(LEAST_JOB_G, min(SMALL_JOB_G, left_g)), SMALL_JOB_H, nozzle, bed)


def _between(low_c: float, high_c: float, limit_c: float) -> float:
    return max(low_c, min((low_c + high_c) / 2, limit_c))


def _inputs(
    machine: MachineState,
    spool_state: SpoolState,
    job: JobSpec,
    end: Moisture | None,
    flow: LastFlowCheck | None,
) -> ReadinessInputs:
    spool, toolhead = spool_state.spool, machine.toolhead
    feedstock = spool.feedstock
    polymer, filler, values = feedstock.polymer, feedstock.filler, material_values(feedstock)
    drying, drying_remedy = _open_run_words(spool_state.run)
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
        now=_outer_moisture(spool, spool_state.moisture, job.mass_g),
        end=_outer_moisture(spool, end, job.mass_g),
        low_g=spool_state.amount.low_g,
        likely_g=spool_state.amount.mass_g,
        high_g=spool_state.amount.high_g,
        tail_g=_tail_g(toolhead, spool_state.filament),
        filler=filler.name if filler else "",
        filler_hv=filler.hardness_hv if filler else 0.0,
        filler_high_hv=filler.hardness_high_hv if filler else 0.0,
        parts={role: _fitted_part(part, spool_state.filament, job) for role, part in machine.parts.items()},
        drying=drying,
        drying_remedy=drying_remedy,
        dry_advice=spool_state.dry_advice,
        max_flow_mm3_s=job.max_flow_mm3_s,
        retractions=job.retractions,
        guided=toolhead.feed == Toolhead.Feed.GUIDED,
        diameter_mm=spool_state.filament.diameter_mm,
        job_diameter_mm=job.diameter_mm,
        flow=flow,
        hot_end=hot_end,
        services=services,
        change=material_change(spool, machine.fed, job.nozzle_c),
    )


def _last_flow_check(last: EvaluatedCheck | None, at: datetime) -> LastFlowCheck | None:
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
    """The progress of hot end cleaning (of several such services the one nearest its end), and of the others."""
    hot_ends: list[ServiceProgress] = []
    others: list[ServiceProgress] = []
    for status in machine.services:
        ahead = units_of_print(status.kind.unit, job.hours, job.nozzle_c, job.mass_g, spool.feedstock)
        since = replace(status.since, ahead=ahead)
        (hot_ends if status.kind.work == ServiceKind.Work.HOT_END else others).append(since)
    return max(hot_ends, key=lambda since: since.share, default=None), others


def _outer_moisture(spool: Spool, moisture: Moisture | None, mass_g: float) -> OuterMoisture | None:
    if moisture is None:
        return None
    values = material_values(spool.feedstock)
    over_clear, over_hold = (
        moisture.probability_over(limit_pct, mass_g)
        for limit_pct in (values.limit_clear_pct, values.limit_hold_pct)
    )
    return OuterMoisture(mass_g, *moisture.outer_pct(mass_g), over_clear=over_clear, over_hold=over_hold)


def _fitted_part(part: PartWear, filament: Filament, job: JobSpec) -> FittedPart:
    kind = part.kind
    worn = wear(PrintUse(job.mass_g / 1000, job.hours, job.nozzle_c), filament, surface_of(kind))
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


def _open_run_words(run: DryingRun | None) -> tuple[str, str]:
    """The drying run that the spool is in, in words, and the remedy; empty texts without a run."""
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
