"""The job that a file describes: judged on each machine, spool by spool, and recorded once it was printed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import pi
from typing import Any, TypedDict, Unpack

from django.db.models import Prefetch
from django.utils import timezone

from maintenance import limits
from maintenance.flow.history import load_last_checks, material_of
from maintenance.gcode import JobFacts, Retractions
from maintenance.gcode.facts import Mark
from maintenance.jobs.files import facts_of
from maintenance.jobs.materials import load_materials
from maintenance.jobs.records import JobShare, NewJob, Outcome, combine_verdicts, store_job
from maintenance.models import Job, JobFile, Loading, Printer, Toolhead
from maintenance.readiness.builder import build_inputs, build_material_inputs
from maintenance.readiness.inputs import IntendedMaterial, JobSpec, small_job
from maintenance.readiness.rules import judge
from maintenance.readiness.states import (
    SpoolState,
    load_machine_states,
    load_spool_states,
)
from maintenance.readiness.verdict import HOLD, STATES, ReadinessCheck, Verdict, build_check, build_remedy
from spools.checks import require_within
from spools.models import Spool
from spools.refusals import refusal
from spools.statements import Statement

SHORTEST_MM = 0.01
Pair = tuple[int, int]
# Ids of spools by the number of the job's spool that each is to be; None: there is none.
ChosenSpools = dict[int, int | None]


@dataclass(frozen=True)
class JobPart:
    """The part of a job that one toolhead prints with one spool. numbers: of the job's spools, from 0.

    spool, asked: None where none is loaded or chosen. later: not the first of the job on its toolhead.
    """

    toolhead: Toolhead
    spool: Spool | None
    numbers: list[int]
    later: bool
    verdict: Verdict
    spec: JobSpec | None = None


@dataclass(frozen=True)
class MachineVerdict:
    """A file's job on one machine: each part with its verdict, and one for the whole."""

    printer: Printer
    parts: list[JobPart]
    verdict: Verdict


def judge_on_all_machines(file: JobFile) -> list[MachineVerdict]:
    """The job on each machine in use, with the spools that are loaded there. The best first."""
    facts = facts_of(file)
    by_name = Toolhead.objects.select_related("printer").order_by("name")
    printers = Printer.objects.filter(retired_at=None).prefetch_related(Prefetch("toolheads", by_name))
    loaded = dict(Loading.objects.present().values_list("toolhead", "spool"))
    choices: dict[Printer, tuple[list[Toolhead], ChosenSpools]] = {}
    for printer in printers:
        heads = list(printer.toolheads.all())
        choices[printer] = (
            heads,
            {
                number: loaded.get(heads[use.tool].pk)
                for number, use in enumerate(facts.uses)
                if use.tool < len(heads)
            },
        )
    machine_verdicts = _judge(facts, facts.marks[-1], choices, load_materials(file))
    return sorted(
        machine_verdicts,
        key=lambda machine: (
            STATES.index(machine.verdict.state),
            len(machine.verdict.reasons),
            machine.printer.name,
        ),
    )


def flow_limits(machines: Sequence[MachineVerdict]) -> list[tuple[float, str]]:
    """Flows in mm³/s that lose 5 and 10 % by the last checks of what is loaded, where they got so far."""
    pairs = {
        (part.toolhead.pk, part.spool.pk): part
        for machine in machines
        for part in machine.parts
        if part.spool
    }
    checks = load_last_checks({toolhead_id for toolhead_id, _ in pairs}, timezone.now())
    limits_found = []
    for part in pairs.values():
        assert part.spool is not None
        check = checks.get((part.toolhead.pk, *material_of(part.spool.feedstock)))
        for usable in check.usable() if check else []:
            if usable.likely_mm3_s is not None:
                limits_found.append((usable.likely_mm3_s, f"{100 * usable.loss:g} % lost on {part.toolhead}"))
    return limits_found


def judge_on_machine(file: JobFile, printer: Printer, spools: Sequence[Spool]) -> MachineVerdict:
    """The job on one machine with these spools, in the order in which it uses them.

    Refused: another number of spools than the job uses, a machine with too few toolheads.
    """
    facts = facts_of(file)
    heads = list(printer.toolheads.select_related("printer__place").order_by("name"))
    _require_fit(facts, printer, heads, spools)
    chosen: ChosenSpools = {number: spool.pk for number, spool in enumerate(spools)}
    return _judge(facts, facts.marks[-1], {printer: (heads, chosen)}, load_materials(file))[0]


def _require_fit(
    facts: JobFacts, printer: Printer, heads: Sequence[Toolhead], spools: Sequence[Spool]
) -> None:
    if len(spools) != len(facts.uses):
        raise refusal(
            "spool_count",
            f"The job uses {len(facts.uses)} spools, one after the other. Give as many.",
            "spools",
        )
    if not facts.uses:
        raise refusal("no_filament", "The job feeds no filament, so there is nothing to print.")
    highest_tool = max(use.tool for use in facts.uses)
    if highest_tool >= len(heads):
        raise refusal(
            "too_few_toolheads",
            f"The job uses tool {highest_tool}, and {printer} has {len(heads)} "
            f"toolhead{'s' if len(heads) != 1 else ''} (tools are counted from 0). Take another machine.",
            "printer",
        )


def _judge(
    facts: JobFacts,
    mark: Mark,
    choices: Mapping[Printer, tuple[list[Toolhead], ChosenSpools]],
    materials: Mapping[int, IntendedMaterial],
) -> list[MachineVerdict]:
    """All machines in one gathering and one call of the physics. materials: the stated ones, by tool."""
    groups: dict[Pair, list[int]] = {}
    for heads, chosen in choices.values():
        for number, spool_id in chosen.items():
            if spool_id is not None:
                groups.setdefault((heads[facts.uses[number].tool].pk, spool_id), []).append(number)
    spool_states = load_spool_states(Spool.objects.filter(pk__in={spool_id for _, spool_id in groups}))
    machines = load_machine_states(Toolhead.objects.filter(pk__in={toolhead_id for toolhead_id, _ in groups}))
    pairs = [(machines[toolhead_id], spool_states[spool_id]) for toolhead_id, spool_id in groups]
    specs = {
        key: build_job_spec(facts, mark, groups[key], machine.toolhead, spool_state, materials)
        for key, (machine, spool_state) in zip(groups, pairs, strict=True)
    }

    verdicts = {key: judge(inputs) for key, inputs in build_inputs(pairs, specs).items()}
    machine_verdicts = []
    for printer, (heads, chosen) in choices.items():
        parts: list[JobPart] = []
        for number, use in enumerate(facts.uses):
            spool_id = chosen.get(number)
            if use.tool >= len(heads):
                continue
            head = heads[use.tool]
            existing = next(
                (p for p in parts if p.toolhead == head and (p.spool and p.spool.pk) == spool_id), None
            )
            if existing is not None:
                existing.numbers.append(number)
                continue
            later = any(part.toolhead == head for part in parts)
            if spool_id is None:
                parts.append(JobPart(head, None, [number], later, Verdict([_no_spool_check(head)])))
            else:
                key = head.pk, spool_id
                parts.append(
                    JobPart(head, spool_states[spool_id].spool, [number], later, verdicts[key], specs[key])
                )
        machine_verdicts.append(
            MachineVerdict(printer, parts, _judge_whole_job(facts, printer, heads, parts))
        )
    return machine_verdicts


def _no_spool_check(head: Toolhead) -> ReadinessCheck:
    remedy = build_remedy("other_spool", "load_or_take_other_spool")
    return build_check("spool", HOLD, "no_spool", remedy, toolhead=str(head))


def _judge_whole_job(
    facts: JobFacts, printer: Printer, heads: list[Toolhead], parts: list[JobPart]
) -> Verdict:
    missing = [use.tool for use in facts.uses if use.tool >= len(heads)]
    if missing:
        remedy = build_remedy("other_printer", "take_other_machine")
        values = {"tool": max(missing), "printer": str(printer), "toolheads": len(heads)}
        return Verdict([build_check("toolheads", HOLD, "too_few_toolheads", remedy, **values)])
    return combine_verdicts([(part.spool, part.verdict) for part in parts])


def build_job_spec(
    facts: JobFacts,
    mark: Mark,
    numbers: Sequence[int],
    toolhead: Toolhead,
    spool_state: SpoolState,
    materials: Mapping[int, IntendedMaterial],
) -> JobSpec:
    """The job of one spool up to a mark of the file, with usual temperatures where the file sets none."""
    uses = [facts.uses[number] for number in numbers]
    material = build_material_inputs(spool_state.spool.feedstock)
    usual = small_job(material, toolhead.hot_end_max_c, toolhead.printer.bed_max_c)
    area_mm2 = pi * spool_state.filament.diameter_mm**2 / 4
    length_mm = sum(mark.filament_mm[number] for number in numbers)
    # The flow was computed for the diameter in the file; this filament may have another.
    flow = max(use.peak_1s_mm3_s for use in uses) * area_mm2 / facts.reading.area_mm2
    return JobSpec(
        mass_g=max(limits.JOB_G.low, length_mm * area_mm2 / 1000 * spool_state.filament.density_g_cm3),
        hours=max(limits.JOB_HOURS.low, mark.seconds / 3600),
        nozzle_c=max((use.nozzle_c for use in uses if use.nozzle_c is not None), default=usual.nozzle_c),
        bed_c=facts.bed_c or usual.bed_c,
        max_flow_mm3_s=min(flow, limits.FLOW_MM3_S.high) if flow >= limits.FLOW_MM3_S.low else None,
        retractions=_combine_retractions([use.retractions for use in uses]),
        diameter_mm=facts.reading.diameter_mm,
        intended=materials.get(uses[0].tool),
    )


def _combine_retractions(by_use: Sequence[Retractions]) -> Retractions:
    return Retractions(
        count=sum(use.count for use in by_use),
        length_mm=sum(use.length_mm for use in by_use),
        usual_mm=max(use.usual_mm for use in by_use),
        longest_mm=max(use.longest_mm for use in by_use),
        per_m=max(use.per_m for use in by_use),
        most_over_one=max(use.most_over_one for use in by_use),
    )


def _retracted_m(facts: JobFacts, mark: Mark, numbers: Sequence[int]) -> float:
    """Filament pulled back up to that mark, m, taking retractions for even over the filament of each spool."""
    return sum(
        facts.uses[number].retractions.length_mm
        * min(1.0, max(0.0, mark.filament_mm[number] / max(facts.uses[number].filament_mm, SHORTEST_MM)))
        / 1000
        for number in numbers
    )


class StopPoint(TypedDict, total=False):
    """The place of a file at which its job stopped, one of the two; without them it ran to its end."""

    stopped_line: int | None
    stopped_pct: float | None


def locate_stop(
    facts: JobFacts, *, stopped_line: int | None = None, stopped_pct: float | None = None
) -> tuple[Mark | None, Statement | None]:
    """The mark of a file at which its job stopped, and where that is; None for a job that ran to its end.

    Machines that show a percentage mean the share of the file that was read, most of them.
    """
    if stopped_line is not None and stopped_pct is not None:
        raise refusal("line_or_percentage", "Give the line or the percentage, not both.", "stopped_line")
    if stopped_line is not None:
        require_within("stopped_line", stopped_line, 1, max(1, facts.lines), "")
        place = {"line": stopped_line, "lines": facts.lines}
        return facts.up_to(line=stopped_line), Statement("job_stop.before_line", place)
    if stopped_pct is not None:
        require_within("stopped_pct", stopped_pct, *limits.STOPPED_PCT)
        byte = round(facts.bytes * stopped_pct / 100)
        return facts.up_to(byte=byte), Statement("job_stop.at_share", {"stopped_pct": stopped_pct})
    return None, None


def measure_share(facts: JobFacts, mark: Mark, numbers: Sequence[int]) -> float:
    """The share of the filament of these spools of a file that is printed at a mark, 0 to 1."""
    whole_mm = sum(facts.uses[number].filament_mm for number in numbers)
    printed_mm = sum(mark.filament_mm[number] for number in numbers)
    return min(1.0, max(0.0, printed_mm / max(whole_mm, SHORTEST_MM)))


class FilePrint(StopPoint, total=False):
    """The print of a file: as of NewJob, and where it stopped."""

    name: str
    start: datetime | None
    stage: str | None
    override_reason: str
    reprint_of: Job | None
    parts: int | None
    good_parts: int | None
    reason: str


def record_file_job(
    file: JobFile, *, printer: Printer, spools: Sequence[Spool], by: Any = None, **details: Unpack[FilePrint]
) -> Job:
    """Records the print of a file: each spool gives its filament, all of it or up to the stop.

    spools: in the order in which the job uses them; the first on a toolhead was loaded at the start.
    Refused: as for every job, for judge_on_machine and for locate_stop.
    """
    facts = facts_of(file)
    stop = {name: details.get(name) for name in ("stopped_line", "stopped_pct")}
    mark, stopped = locate_stop(facts, **stop)  # type: ignore[arg-type]
    heads = list(printer.toolheads.select_related("printer").order_by("name"))
    _require_fit(facts, printer, heads, spools)
    materials, spool_states = load_materials(file), load_spool_states(spools)
    groups: dict[Pair, list[int]] = {}
    for number, spool in enumerate(spools):
        groups.setdefault((facts.uses[number].tool, spool.pk), []).append(number)
    shares: list[JobShare] = []
    for (tool, spool_id), numbers in groups.items():
        later = any(share.toolhead == heads[tool] for share in shares)
        whole = facts.marks[-1]
        spec = build_job_spec(facts, whole, numbers, heads[tool], spool_states[spool_id], materials)
        retracted_m = _retracted_m(facts, whole, numbers)
        printed = None
        if mark is not None:
            part = measure_share(facts, mark, numbers)
            printed = spec.mass_g * part, retracted_m * part
        spool = spool_states[spool_id].spool
        shares.append(JobShare(heads[tool], spool, spec, later, retracted_m, tuple(numbers), printed))
    stage = details.get("stage")
    return store_job(
        NewJob(
            shares,
            details.get("name", "").strip() or file.name[:120],
            details.get("start"),
            Job.Stage.STOPPED if mark and stage in (None, Job.Stage.FINISHED) else stage,
            details.get("override_reason", ""),
            file,
            Outcome(details.get("parts"), details.get("good_parts"), details.get("reason", ""), stopped),
            details.get("reprint_of"),
            max(limits.JOB_HOURS.low, mark.seconds / 3600) if mark else None,
        ),
        by=by,
    )
