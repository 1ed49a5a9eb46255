"""The job that a file describes: judged on each machine, spool by spool, and recorded once it was printed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import pi
from typing import Any, TypedDict, Unpack

from django.db.models import Prefetch
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from maintenance import limits
from maintenance.board.shop import Slot, load_loaded, load_machines
from maintenance.flow.history import load_last_checks, material_of
from maintenance.gcode import JobFacts, Retractions
from maintenance.gcode.facts import Mark
from maintenance.jobs.files import facts_of
from maintenance.jobs.judging import JobShare, PartVerdict, combine_verdicts
from maintenance.jobs.materials import load_materials
from maintenance.jobs.records import NewJob, Outcome, store_job
from maintenance.jobs.slots import ChosenSpools, FilePart, Site, list_sites, split_job
from maintenance.models import Job, JobFile, Printer, Toolhead
from maintenance.readiness.builder import build_inputs, build_material_inputs
from maintenance.readiness.inputs import IntendedMaterial, JobSpec, small_job
from maintenance.readiness.rules import judge
from maintenance.readiness.states import (
    SpoolState,
    load_spool_states,
)
from maintenance.readiness.verdict import HOLD, STATES, ReadinessCheck, Verdict, build_check, build_remedy
from spools.checks import require_within
from spools.models import Spool
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_percent

SHORTEST_MM = 0.01


@dataclass(frozen=True)
class JobPart:
    """The part of a job that one toolhead prints with one spool. numbers: of the job's spools, from 0.

    spool, spec: None where none is loaded or chosen. later: not the first of the job in its slot.
    """

    toolhead: Toolhead
    slot: int
    spool: Spool | None
    numbers: list[int]
    later: bool
    verdict: Verdict
    spec: JobSpec | None = None

    @property
    def site(self) -> str:
        """In words."""
        return self.toolhead.name_slot(self.slot)


@dataclass(frozen=True)
class MachineVerdict:
    """A file's job on one machine: each part with its verdict, and one for the whole."""

    printer: Printer
    parts: list[JobPart]
    verdict: Verdict


def judge_on_all_machines(file: JobFile, changes: float | None = None) -> list[MachineVerdict]:
    """The job on each machine in use, with the spools that are loaded there. The best first. changes: as below."""
    facts = facts_of(file)
    by_name = Toolhead.objects.in_use().select_related("printer").order_by("name")
    printers = Printer.objects.filter(retired_at=None).prefetch_related(Prefetch("toolheads", by_name))
    slots = load_loaded()
    spools = {slot: spool for spool, slot in slots.items()}
    choices: dict[Printer, tuple[list[Site], ChosenSpools]] = {}
    for printer in printers:
        sites = list_sites(printer.toolheads.all())
        choices[printer] = (
            sites,
            {
                number: spools.get(Slot(sites[use.tool].toolhead.pk, sites[use.tool].slot))
                for number, use in enumerate(facts.uses)
                if use.tool < len(sites)
            },
        )
    machine_verdicts = _judge(facts, choices, load_materials(file), slots, changes)
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
                limits_found.append(
                    (
                        usable.likely_mm3_s,
                        _("{loss} lost on {toolhead}").format(
                            loss=format_percent(100 * usable.loss), toolhead=part.toolhead
                        ),
                    )
                )
    return limits_found


def judge_on_machine(
    file: JobFile,
    printer: Printer,
    spools: Sequence[Spool],
    changes: float | None = None,
    *,
    job: int | None = None,
) -> MachineVerdict:
    """The job on one machine with these spools, in the order in which it uses them.

    changes: of spool, as somebody counted them; None: as the file has them. job: its id, where it is planned.
    Refused: another number of spools than the job uses, a machine with too few toolheads.
    """
    facts = facts_of(file)
    sites = list_sites(printer.toolheads.in_use().select_related("printer__place").order_by("name"))
    _require_fit(facts, printer, sites, spools)
    chosen: ChosenSpools = {number: spool.pk for number, spool in enumerate(spools)}
    materials, slots = load_materials(file), load_loaded()
    return _judge(facts, {printer: (sites, chosen)}, materials, slots, changes, job)[0]


def _require_fit(facts: JobFacts, printer: Printer, sites: Sequence[Site], spools: Sequence[Spool]) -> None:
    if len(spools) != len(facts.uses):
        raise refusal(
            "spool_count",
            ngettext(
                "The job uses {uses} spool. Give one.",
                "The job uses {uses} spools, one after the other. Give as many.",
                len(facts.uses),
            ).format(uses=len(facts.uses)),
            "spools",
        )
    if not facts.uses:
        raise refusal("no_filament", _("The job feeds no filament, so there is nothing to print."))
    if (check := _check_tools(facts, printer, sites)) and check.remedy:
        sentence = f"{check.statement.sentence} {check.remedy.statement.sentence}"
        raise refusal("too_few_toolheads", sentence, "printer")


def _check_tools(facts: JobFacts, printer: Printer, sites: Sequence[Site]) -> ReadinessCheck | None:
    """A hold where the job uses a tool that the printer has no slot for."""
    tool = max((use.tool for use in facts.uses), default=0)
    if tool < len(sites):
        return None
    remedy = build_remedy("other_printer", "take_machine_with_slots", printer=str(printer), slots=tool + 1)
    values = {"tool": tool, "printer": str(printer), "toolheads": len(sites)}
    return build_check("toolheads", HOLD, "too_few_toolheads", remedy, **values)


def _judge(
    facts: JobFacts,
    choices: Mapping[Printer, tuple[list[Site], ChosenSpools]],
    materials: Mapping[int, IntendedMaterial],
    slots: Mapping[int, Slot],
    changes: float | None = None,
    job: int | None = None,
) -> list[MachineVerdict]:
    """All machines in one gathering and one call of the physics. materials: the stated ones, by tool.

    slots: of the loaded spools, by their ids.
    """
    parts = {
        printer: split_job(facts, sites, chosen, slots, changes)
        for printer, (sites, chosen) in choices.items()
    }
    by_pair = {part.pair: part for rows in parts.values() for part in rows if part.pair is not None}
    spool_states = load_spool_states(Spool.objects.filter(pk__in={spool for _, spool in by_pair}))
    machines = load_machines({toolhead for toolhead, _ in by_pair})
    pairs = {pair: (machines[pair[0]], spool_states[pair[1]]) for pair in by_pair}
    specs = {
        pair: replace(build_job_spec(facts, by_pair[pair], machine.toolhead, spool_state, materials), job=job)
        for pair, (machine, spool_state) in pairs.items()
    }
    verdicts = {key: judge(inputs) for key, inputs in build_inputs(list(pairs.values()), specs).items()}

    def judge_part(part: FilePart) -> JobPart:
        if part.pair is None:
            judged = Verdict([check_no_spool(part.site.name)])
            return JobPart(*part.site, None, part.numbers, part.later, judged)
        spool = spool_states[part.pair[1]].spool
        return JobPart(*part.site, spool, part.numbers, part.later, verdicts[part.pair], specs[part.pair])

    machine_verdicts = []
    for printer, (sites, _spools) in choices.items():
        judged = [judge_part(part) for part in parts[printer]]
        whole = _judge_whole_job(facts, printer, sites, judged)
        machine_verdicts.append(MachineVerdict(printer, judged, whole))
    return machine_verdicts


def check_no_spool(site: str) -> ReadinessCheck:
    remedy = build_remedy("other_spool", "load_or_take_other_spool")
    return build_check("spool", HOLD, "no_spool", remedy, toolhead=site)


def _judge_whole_job(facts: JobFacts, printer: Printer, sites: list[Site], parts: list[JobPart]) -> Verdict:
    if check := _check_tools(facts, printer, sites):
        return Verdict([check])
    return combine_verdicts(
        [
            PartVerdict(
                part.toolhead, part.slot, part.spool, part.spec.nozzle_c if part.spec else None, part.verdict
            )
            for part in parts
        ]
    )


def build_job_spec(
    facts: JobFacts,
    part: FilePart,
    toolhead: Toolhead,
    spool_state: SpoolState,
    materials: Mapping[int, IntendedMaterial],
) -> JobSpec:
    """The job of one spool, with usual temperatures where the file sets none."""
    uses = [facts.uses[number] for number in part.numbers]
    material = build_material_inputs(spool_state.spool.feedstock)
    usual = small_job(material, toolhead.hot_end_max_c, toolhead.printer.bed_max_c)
    area_mm2 = pi * spool_state.filament.diameter_mm**2 / 4
    length_mm = sum(facts.marks[-1].filament_mm[number] for number in part.numbers)
    # The new filament pushes the former one out.
    purge_g = part.changes * toolhead.purge_g
    mass_g = length_mm * area_mm2 / 1000 * spool_state.filament.density_g_cm3 + purge_g
    # The flow was computed for the diameter in the file; this filament may have another.
    flow = max(use.peak_1s_mm3_s for use in uses) * area_mm2 / facts.reading.area_mm2
    return JobSpec(
        mass_g=max(limits.JOB_G.low, mass_g),
        hours=max(limits.JOB_HOURS.low, facts.marks[-1].seconds / 3600),
        nozzle_c=max((use.nozzle_c for use in uses if use.nozzle_c is not None), default=usual.nozzle_c),
        bed_c=facts.bed_c or usual.bed_c,
        max_flow_mm3_s=min(flow, limits.FLOW_MM3_S.high) if flow >= limits.FLOW_MM3_S.low else None,
        retractions=_combine_retractions([use.retractions for use in uses]),
        diameter_mm=facts.reading.diameter_mm,
        intended=materials.get(uses[0].tool),
        changes=part.changes,
        purge_g=purge_g,
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


def _retracted_m(facts: JobFacts, numbers: Sequence[int]) -> float:
    """Filament that these spools of the file are pulled back by, m."""
    return sum(facts.uses[number].retractions.length_mm for number in numbers) / 1000


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
        raise refusal("line_or_percentage", _("Give the line or the percentage, not both."), "stopped_line")
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


def build_file_shares(
    file: JobFile,
    printer: Printer,
    spools: Sequence[Spool],
    mark: Mark | None = None,
    changes: float | None = None,
) -> list[JobShare]:
    """The shares of a file's print, as for record_file_job. mark: up to which it was printed; None: to its end."""
    facts = facts_of(file)
    sites = list_sites(printer.toolheads.in_use().select_related("printer").order_by("name"))
    _require_fit(facts, printer, sites, spools)
    materials, spool_states = load_materials(file), load_spool_states(spools)
    chosen: ChosenSpools = {number: spool.pk for number, spool in enumerate(spools)}
    shares = []
    for part in split_job(facts, sites, chosen, load_loaded(), changes):
        assert part.spool is not None
        (toolhead, slot), spool_state = part.site, spool_states[part.spool]
        shares.append(
            JobShare(
                toolhead,
                spool_state.spool,
                build_job_spec(facts, part, toolhead, spool_state, materials),
                part.later,
                _retracted_m(facts, part.numbers),
                tuple(part.numbers),
                None if mark is None else measure_share(facts, mark, part.numbers),
                slot,
            )
        )
    return shares


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
    changes: float | None


def record_file_job(
    file: JobFile, *, printer: Printer, spools: Sequence[Spool], by: Any = None, **details: Unpack[FilePrint]
) -> Job:
    """Records the print of a file: each spool gives its filament, all of it or up to the stop.

    spools: in the order in which the job uses them; the first in a slot was loaded at the start. changes: as for
    judge_on_machine.
    Refused: as for every job, for judge_on_machine and for locate_stop.
    """
    stop = {name: details.get(name) for name in ("stopped_line", "stopped_pct")}
    mark, stopped = locate_stop(facts_of(file), **stop)  # type: ignore[arg-type]
    shares = build_file_shares(file, printer, spools, mark, details.get("changes"))
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
