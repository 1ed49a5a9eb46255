"""Builds the readiness inputs of pairs of toolhead and spool from their states, and evaluates them."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from math import pi

from django.utils import timezone

from maintenance import limits
from maintenance.flow.history import changed_since, load_last_checks, material_name
from maintenance.models import ServiceKind, Toolhead
from maintenance.parts.life import PartWear
from maintenance.parts.wear_entries import filament_of
from maintenance.readiness.inputs import (
    FedMaterial,
    FeedPlace,
    FittedPart,
    JobMoisture,
    JobSpec,
    LastFlowCheck,
    MaterialInputs,
    OpenRun,
    PrintSite,
    ReadinessInputs,
    SpoolInputs,
    ToolheadInputs,
    small_job,
)
from maintenance.readiness.rules import judge
from maintenance.readiness.states import (
    MachineState,
    SpoolState,
    load_machine_states,
    load_spool_states,
)
from maintenance.readiness.verdict import Verdict
from spools.catalogue.values import material_values
from spools.checks import require_within
from spools.codes import pretty
from spools.models import DryingRun, Feedstock, Place, Spool
from spools.physics_inputs import (
    SMALL_JOB_G,
    ConstantAir,
    Interval,
    WettestTurns,
    compute_wettest_turns,
)

# Ids of a toolhead and a spool.
PairKey = tuple[int, int]
OVERHEATED = " if overheated"


def verdict(
    toolhead: Toolhead,
    spool: Spool,
    job: JobSpec | None = None,
    *,
    at: datetime | None = None,
    fed_from: Place | None = None,
) -> Verdict:
    """May this spool be printed on this toolhead, for this job? Without a job: for a small one.

    fed_from: the place from which it would be fed; None: that of its loading.
    """
    pair = toolhead.pk, spool.pk
    fed = {} if fed_from is None else {pair: fed_from.pk}
    return judge(load_inputs_of_pairs([(toolhead, spool)], job, at=at, fed=fed)[pair])


def verdicts(
    pairs: Sequence[tuple[Toolhead, Spool]],
    job: JobSpec | None = None,
    fed: Mapping[PairKey, int] | None = None,
) -> dict[PairKey, Verdict]:
    """The verdict of each pair, by (toolhead id, spool id). fed: as for load_inputs_of_pairs."""
    return {key: judge(inputs) for key, inputs in load_inputs_of_pairs(pairs, job, fed=fed).items()}


def load_inputs(
    toolhead: Toolhead, spool: Spool, job: JobSpec | None = None, *, at: datetime | None = None
) -> ReadinessInputs:
    """The readiness inputs of one pair."""
    return load_inputs_of_pairs([(toolhead, spool)], job, at=at)[toolhead.pk, spool.pk]


def load_inputs_of_pairs(
    pairs: Sequence[tuple[Toolhead, Spool]],
    job: JobSpec | Mapping[PairKey, JobSpec] | None = None,
    *,
    at: datetime | None = None,
    fed: Mapping[PairKey, int] | None = None,
) -> dict[PairKey, ReadinessInputs]:
    """The readiness inputs by (toolhead id, spool id). The number of queries is fixed.

    job: as for build_inputs. at: a past time to judge for; the grams on the spool are those of now. fed: places from
    which spools would be fed, by their ids; the others as they are loaded.
    """
    spools = load_spool_states([spool for _, spool in pairs], at)
    machines = load_machine_states(Toolhead.objects.filter(pk__in={toolhead.pk for toolhead, _ in pairs}), at)
    states = [(machines[toolhead.pk], spools[spool.pk]) for toolhead, spool in pairs]
    return build_inputs(states, job, at, fed)


def build_inputs(
    pairs: Sequence[tuple[MachineState, SpoolState]],
    job: JobSpec | Mapping[PairKey, JobSpec] | None = None,
    at: datetime | None = None,
    fed: Mapping[PairKey, int] | None = None,
) -> dict[PairKey, ReadinessInputs]:
    """The readiness inputs by (toolhead id, spool id).

    job: one for all pairs, one for each, or None for a small one. Raises ValidationError on one that no
    printer makes. at: a past time that flow checks are looked up for. fed: as for load_inputs_of_pairs.
    """
    machines = {machine.toolhead.pk: machine for machine, _ in pairs}
    feedstocks = {state.spool.feedstock_id: state.spool.feedstock for _, state in pairs}
    materials = {pk: build_material_inputs(feedstock) for pk, feedstock in feedstocks.items()}
    specs = list(job.values()) if isinstance(job, Mapping) else [job]
    for spec in specs:
        require_possible_job(spec)
    checks: dict[int, dict[str, LastFlowCheck]] = {}
    if any(spec is not None and spec.max_flow_mm3_s is not None for spec in specs):
        checks = load_flow_checks(machines, at)
    toolheads = {pk: build_toolhead_inputs(machine, checks.get(pk)) for pk, machine in machines.items()}
    jobs = {}
    for machine, state in pairs:
        pair_job = job[_key(machine, state)] if isinstance(job, Mapping) else job
        toolhead = toolheads[machine.toolhead.pk]
        jobs[_key(machine, state)] = pair_job or small_job(
            materials[state.spool.feedstock_id], toolhead.hot_end_max_c, toolhead.bed_limit_c
        )
    fed_from = {key: place for machine, _ in pairs for key, place in machine.feed_places.fed.items()}
    fed_from.update(fed or {})
    printed = _forecast_jobs(pairs, jobs, fed_from)
    inputs = {}
    for machine, state in pairs:
        key = _key(machine, state)
        material, toolhead, mass_g = materials[state.spool.feedstock_id], toolheads[key[0]], jobs[key].mass_g
        places = machine.feed_places.places
        site = PrintSite(
            toolhead.name,
            _job_moisture(printed.get((*key, fed_from.get(key))), material, mass_g),
            compute_tail_g(toolhead.tail_mm, material),
            str(places[fed_from[key]]) if key in fed_from else "",
            [
                FeedPlace(str(place), inside)
                for pk, place in places.items()
                if place.feeds and (inside := _job_moisture(printed.get((*key, pk)), material, mass_g))
            ],
            machine.occupation.list_jobs(*key, except_job=jobs[key].job),
        )
        reserved_g = machine.occupation.sum_reserved_g(key[1], except_job=jobs[key].job)
        spool = build_spool_inputs(state, material, mass_g, reserved_g)
        inputs[key] = ReadinessInputs(spool, site, material, toolhead, jobs[key])
    return inputs


def require_possible_job(job: JobSpec | None) -> None:
    """Raises ValidationError on a number that no print has."""
    if job is None:
        return
    require_within("mass_g", job.mass_g, *limits.JOB_G)
    require_within("hours", job.hours, *limits.JOB_HOURS)
    require_within("nozzle_c", job.nozzle_c, *limits.NOZZLE_C)
    require_within("bed_c", job.bed_c, *limits.BED_C)
    if job.max_flow_mm3_s is not None:
        require_within("max_flow_mm3_s", job.max_flow_mm3_s, *limits.FLOW_MM3_S)


def _key(machine: MachineState, spool_state: SpoolState) -> PairKey:
    return machine.toolhead.pk, spool_state.spool.pk


def _forecast_jobs(
    pairs: Sequence[tuple[MachineState, SpoolState]],
    jobs: Mapping[PairKey, JobSpec],
    fed_from: Mapping[PairKey, int],
) -> dict[tuple[int, int, int | None], WettestTurns]:
    """The wettest turns that each job prints, by the ids of toolhead, spool and the place that feeds it.

    In the air of the machine (None) or of its place, and of each place that could feed it.
    """
    # Toolheads of one printer share its air, so they share the forecast of a spool.
    forecasts: dict[tuple[int, int, float, float], WettestTurns] = {}
    printed: dict[tuple[int, int, int | None], WettestTurns] = {}
    for machine, spool_state in pairs:
        key, place, climate = _key(machine, spool_state), machine.toolhead.printer.place, machine.climate
        mass_g, hours = jobs[key].mass_g, jobs[key].hours
        if spool_state.moisture is None:
            continue
        airs: dict[int | None, tuple[int, ConstantAir]] = {
            pk: (pk, machine.feed_places.air(pk, hours)) for pk in machine.feed_places.places
        }
        if key not in fed_from:
            airs[None] = place.pk, climate.constant(hours, moving=place.moved_air)
        for feeding, (place_id, air) in airs.items():
            lane = place_id, spool_state.spool.pk, mass_g, hours
            if lane not in forecasts:
                forecasts[lane] = compute_wettest_turns(spool_state.moisture.winding, mass_g, air)
            printed[*key, feeding] = forecasts[lane]
    return printed


def build_spool_inputs(
    state: SpoolState, material: MaterialInputs, mass_g: float, reserved_g: float
) -> SpoolInputs:
    """mass_g: of the job. reserved_g: for others."""
    wettest = None
    if state.moisture is not None:
        wettest = compute_wettest_turns(state.moisture.winding, mass_g)
    return SpoolInputs(
        code=pretty(state.spool.code),
        low_g=state.amount.low_g,
        likely_g=state.amount.mass_g,
        high_g=state.amount.high_g,
        now=_job_moisture(wettest, material, mass_g),
        run=describe_run(state.run),
        dry_advice=state.dry_advice,
        reserved_g=reserved_g,
        decided_by=state.decided_by,
    )


def build_material_inputs(feedstock: Feedstock) -> MaterialInputs:
    """No query when polymer and filler are loaded with the feedstock."""
    polymer, filler, values = feedstock.polymer, feedstock.filler, material_values(feedstock)
    emission = polymer.emission
    return MaterialInputs(
        feedstock=feedstock.pk,
        polymer=polymer.name,
        filament=filament_of(feedstock),
        flow_c=polymer.flow_c,
        nozzle_min_c=values.nozzle_min_c,
        nozzle_max_c=values.nozzle_max_c,
        bed_min_c=values.bed_min_c,
        bed_max_c=values.bed_max_c,
        enclosure=polymer.enclosure,
        emission=emission,
        limit_clear_pct=values.limit_clear_pct,
        limit_hold_pct=values.limit_hold_pct,
        filler=filler.name if filler else "",
        filler_hv=filler.hardness_hv if filler else 0.0,
        filler_high_hv=filler.hardness_high_hv if filler else 0.0,
        overheated=emission.removesuffix(OVERHEATED) if emission.endswith(OVERHEATED) else "",
    )


def build_toolhead_inputs(
    machine: MachineState, flow_checks: dict[str, LastFlowCheck] | None = None
) -> ToolheadInputs:
    """flow_checks: as by load_flow_checks; a job that does not state its flow needs none."""
    if machine.inputs is not None:
        return replace(machine.inputs, flow_checks=flow_checks or {})
    toolhead = machine.toolhead
    hot_ends = [status.since for status in machine.services if status.kind.work == ServiceKind.Work.HOT_END]
    return ToolheadInputs(
        name=str(toolhead),
        hot_end_max_c=toolhead.hot_end_max_c,
        bed_limit_c=toolhead.printer.bed_max_c,
        ptfe_lined=toolhead.ptfe_lined,
        enclosed=toolhead.printer.enclosed,
        tail_mm=toolhead.tail_mm,
        guided=toolhead.feed == Toolhead.Feed.GUIDED,
        parts={role: _fitted_part(part) for role, part in machine.parts.items()},
        # Of several services that clean the hot end, the one nearest its end.
        hot_end=max(hot_ends, key=lambda since: since.share, default=None),
        services=[status.since for status in machine.services if status.since not in hot_ends],
        fed=[
            FedMaterial(fed.spool.feedstock_id, fed.printed, build_material_inputs(fed.spool.feedstock).purge)
            for fed in machine.fed
        ],
        slots=toolhead.slots,
        flow_checks=flow_checks or {},
    )


def load_flow_checks(
    toolhead_ids: Iterable[int], at: datetime | None = None
) -> dict[int, dict[str, LastFlowCheck]]:
    """The last flow check of each material on each toolhead, by toolhead id and name of the material."""
    at = at or timezone.now()
    checks: dict[int, dict[str, LastFlowCheck]] = {}
    for last in load_last_checks(toolhead_ids, at).values():
        at_5, at_10 = last.usable()
        checks.setdefault(last.check.toolhead_id, {})[material_name(last.check.spool.feedstock)] = (
            LastFlowCheck(
                at=last.check.at.isoformat(),
                days_ago=(at - last.check.at) / timedelta(days=1),
                nozzle_c=last.check.nozzle_c,
                changed=[fitting.role for fitting in changed_since(last, at)],
                at_5=at_5,
                at_10=at_10,
            )
        )
    return checks


def _job_moisture(
    wettest: WettestTurns | None, material: MaterialInputs, mass_g: float
) -> JobMoisture | None:
    if wettest is None:
        return None
    return JobMoisture(
        min(mass_g, SMALL_JOB_G),
        *Interval.from_members(wettest.contents_pct),
        over_clear=float((wettest.contents_pct > material.limit_clear_pct).mean()),
        over_hold=float((wettest.contents_pct > material.limit_hold_pct).mean()),
        printed_before_g=wettest.printed_before_g,
    )


def _fitted_part(part: PartWear) -> FittedPart:
    kind = part.kind
    return FittedPart(
        name=kind.name,
        hardness_hv=kind.hardness_hv,
        bore_mm=kind.bore_mm,
        heat_reference_c=kind.heat_reference_c,
        max_c=kind.max_c,
        life=part.expected.thinned,
        unit=kind.life_unit,
        age=part.age,
        sound_at=part.sound_at,
        in_stock=part.in_stock,
    )


def describe_run(run: DryingRun | None) -> OpenRun | None:
    if run is None:
        return None
    return OpenRun(
        str(run.dryer), run.set_point_c, run.first_set_point_c, run.first_hours, run.planned_end.isoformat()
    )


def compute_tail_g(tail_mm: float, material: MaterialInputs) -> float:
    """Filament between drive and nozzle, which cannot be fed once the spool ends."""
    area_mm2 = pi * material.filament.diameter_mm**2 / 4
    return tail_mm * area_mm2 * material.filament.density_g_cm3 / 1000
