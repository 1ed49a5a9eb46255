"""Loads the evidence about a print that went wrong, as of the start of the print."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from django.db.models import Prefetch, Q, Sum

from maintenance.flow.diagnosis import CLOG, EASIER, GEARS
from maintenance.flow.history import load_current_series, material_of
from maintenance.models import ServiceKind, Toolhead, TroubleOutcome, TroubleReport, WearEntry
from maintenance.parts.life import PartWear
from maintenance.readiness.builder import build_inputs
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.rules.service import material_change
from maintenance.readiness.states import MachineState, load_machine_states, load_spool_states
from maintenance.trouble.causes import CAUSES
from maintenance.trouble.rules import Evidence, PartAtPrint, PastOutcomes
from maintenance.wear.abrasion import cuts
from maintenance.wear.intervals import ServiceProgress
from spools.models import Spool
from spools.moisture.state import Moisture
from spools.statements import Statement

# Causes that go with the material, wherever it is printed; the others go with the toolhead.
OF_THE_MATERIAL = {"wet", "tangle", "nature"}
# By the work of a service, what the rules of trouble call it.
WORKS = [ServiceKind.Work.GEARS, ServiceKind.Work.HOT_END, ServiceKind.Work.SURFACE]

# How a flow check reads, by the causes that it speaks for.
READ_AS = {GEARS: ("gears_worn", "gears_dirty"), CLOG: ("residue",), EASIER: ("nozzle_worn",)}


def load_evidence(
    toolhead: Toolhead, spool: Spool, at: datetime, symptoms: Sequence[str], job: JobSpec | None = None
) -> Evidence:
    """The evidence of a print that began at that time; job: without it a small one."""
    state = load_spool_states([spool], at)[spool.pk]
    machine = load_machine_states(Toolhead.objects.filter(pk=toolhead.pk), at)[toolhead.pk]
    inputs = build_inputs([(machine, state)], job)[toolhead.pk, spool.pk]
    moisture = state.moisture
    return Evidence(
        polymer=inputs.material.polymer,
        limit_clear_pct=inputs.material.limit_clear_pct,
        limit_hold_pct=inputs.material.limit_hold_pct,
        wet=inputs.site.printed,
        dried=_last_dried(moisture, at) if moisture else None,
        fed_g=moisture.history.mass_at(at, before=True) if moisture else None,
        parts=_parts(machine, at),
        ptfe_lined=inputs.toolhead.ptfe_lined,
        guided=inputs.toolhead.guided,
        services=_services(machine),
        change=material_change(inputs.material, inputs.toolhead, inputs.job.nozzle_c),
        before=_found_before(toolhead, spool, symptoms, at),
        flow=_flow_check(toolhead, spool, at),
    )


def _last_dried(moisture: Moisture, at: datetime) -> Statement:
    runs = [run for run in moisture.history.runs if run.end is not None and run.end <= at]
    if not runs:
        return Statement("trouble.never_dried")
    run = max(runs, key=lambda run: run.start)
    end = run.end or at
    dried_h = (end - run.start) / timedelta(hours=1)
    values = {"set_point_c": run.set_point_c, "dried_h": dried_h, "until": end.isoformat()}
    return Statement("trouble.last_dried", values)


def _parts(machine: MachineState, at: datetime) -> dict[str, PartAtPrint]:
    """The fitted parts by role, each with the filled filament that cuts it."""
    ids = [part_wear.part.pk for part_wear in machine.parts.values()]
    rows = (
        WearEntry.objects.filter(
            part__in=ids, use__job__start__lte=at, use__spool__feedstock__filler__isnull=False
        )
        .values_list(
            "part", "use__spool__feedstock__filler__name", "use__spool__feedstock__filler__hardness_hv"
        )
        .annotate(mass_g=Sum("mass_g"))
        .order_by("part", "use__spool__feedstock__filler__name")
    )
    fillers: dict[int, list[tuple[str, float, float]]] = {pk: [] for pk in ids}
    for part_id, name, hardness_hv, mass_g in rows:
        fillers[part_id].append((name, hardness_hv, mass_g))
    return {role: _part(part_wear, fillers[part_wear.part.pk]) for role, part_wear in machine.parts.items()}


def _part(part_wear: PartWear, fillers: list[tuple[str, float, float]]) -> PartAtPrint:
    kind, left = part_wear.kind, part_wear.life_left()
    cutting = [filler for filler in fillers if cuts(filler[1], kind.hardness_hv)]
    return PartAtPrint(
        name=kind.name,
        used_up=left.probability_used_up,
        age=left.age,
        left=(left.low_left, left.median_left, left.high_left),
        unit=left.unit,
        hardness_hv=kind.hardness_hv,
        cut_kg=sum(mass_g for _, _, mass_g in cutting) / 1000,
        cut_by=tuple((name, hardness_hv) for name, hardness_hv, _ in cutting),
    )


def _services(machine: MachineState) -> dict[str, ServiceProgress]:
    """Since each cleaning, by its work; of several of one work the one nearest its end."""
    cleanings: dict[str, ServiceProgress] = {}
    for status in sorted(machine.services, key=lambda status: status.since.share):
        if status.kind.work in WORKS:
            cleanings[status.kind.work] = status.since
    return cleanings


def _flow_check(toolhead: Toolhead, spool: Spool, at: datetime) -> dict[str, Statement]:
    """How the last flow check read, by the causes that it speaks for: of this material, with these parts."""
    material = material_of(spool.feedstock)
    current = load_current_series([toolhead.pk], at).get(toolhead.pk, [])
    series = next((series for series in current if series.latest.material == material), None)
    if series is None:
        return {}
    diagnosis = series.diagnosis(series.latest)
    values = {"checked_at": series.latest.check.at.isoformat(), "reason": diagnosis.reason.as_data()}
    return dict.fromkeys(READ_AS.get(diagnosis.cause, ()), Statement("trouble.flow_check", values))


def _found_before(
    toolhead: Toolhead, spool: Spool, symptoms: Sequence[str], at: datetime
) -> Mapping[str, PastOutcomes]:
    """Causes that were found with one of these signs, on this toolhead or with this feedstock."""
    concerned = Q(toolhead=toolhead) | Q(spool__feedstock=spool.feedstock_id)
    reports = TroubleReport.objects.filter(concerned, at__lt=at).order_by("at", "pk").select_related("spool")
    outcomes_by_cause: dict[str, PastOutcomes] = {}
    for report in reports.prefetch_related(Prefetch("outcomes", TroubleOutcome.objects.order_by("id"))):
        outcomes = list(report.outcomes.all())
        cause = outcomes[-1].cause if outcomes else ""
        if cause not in CAUSES or not {*symptoms} & {*report.symptoms}:
            continue
        same_material = report.spool.feedstock_id == spool.feedstock_id
        if same_material if cause in OF_THE_MATERIAL else report.toolhead_id == toolhead.pk:
            times = outcomes_by_cause[cause].times if cause in outcomes_by_cause else 0
            outcomes_by_cause[cause] = PastOutcomes(times + 1, report.at)
    return outcomes_by_cause
