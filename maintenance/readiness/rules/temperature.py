"""Rules about heat: the limits of the hot end and the bed, and the air around the printer."""

from maintenance.readiness.inputs import JobSpec, MaterialInputs, ToolheadInputs
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, ReadinessCheck, build_check, build_remedy
from maintenance.wear.heat import hot_end_limit
from spools.statements import Values

# A hot end within this of its limit has no margin. Common practice, no source.
EDGE_C = 5.0
ENCLOSED = {"yes", "heated"}
# fixtures/reference/README.md, cautions: what calls for exhaust or an enclosure in ordinary printing.
FUMES = {"styrene", "caprolactam", "methyl methacrylate"}

OTHER_PRINTER = build_remedy("other_printer", "take_other_printer")
CHANGE_TEMPERATURE = build_remedy("change_job", "change_job_temperature")
PRINT_COOLER = build_remedy("other_printer", "print_cooler_or_take_other_printer")
VENTILATE = build_remedy("ventilate", "ventilate")


def temperature(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck:
    """The limits of the machine and its parts, against the needs of the feedstock and the job."""
    fitted = [(part.name, part.max_c) for role in ("nozzle", "liner") if (part := toolhead.parts.get(role))]
    limit_c, limited_by = hot_end_limit(toolhead.hot_end_max_c, toolhead.ptfe_lined, fitted)
    limit: Values = {"limit_c": limit_c, "limited_by": limited_by}
    nozzle_c, bed_c = job.nozzle_c, job.bed_c
    bed_window = {"min_c": material.bed_min_c, "max_c": material.bed_max_c}
    needed_bed_c = max(bed_c, material.bed_min_c)
    values: Values = {"nozzle_c": nozzle_c, "bed_c": bed_c}
    state, code, remedy = CLEAR, "temperatures_fit", None
    if nozzle_c > limit_c:
        state, code, remedy = HOLD, "job_too_hot_for_machine", OTHER_PRINTER
        values = {"nozzle_c": nozzle_c, **limit}
    elif material.nozzle_min_c > limit_c:
        state, code, remedy = HOLD, "material_too_hot_for_machine", OTHER_PRINTER
        values = {"polymer": material.polymer, "min_c": material.nozzle_min_c, **limit}
    elif needed_bed_c > toolhead.bed_limit_c:
        state, code, remedy = HOLD, "bed_not_hot_enough", OTHER_PRINTER
        values = {"bed_c": needed_bed_c, "limit_c": toolhead.bed_limit_c}
    elif not material.bed_min_c <= bed_c <= material.bed_max_c:
        state, code, remedy = CAUTION, "bed_outside_window", CHANGE_TEMPERATURE
        values = {"polymer": material.polymer, "bed_c": bed_c, **bed_window}
    elif nozzle_c > limit_c - EDGE_C:
        state, code, remedy = CAUTION, "no_heat_margin", PRINT_COOLER
        values = {"nozzle_c": nozzle_c, **limit}
    return build_check("temperature", state, code, remedy, **values)


def air(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck:
    needs_enclosure = material.enclosure in ENCLOSED
    if toolhead.enclosed:
        return build_check("air", CLEAR, "has_enclosure", toolhead=toolhead.name)
    if not (needs_enclosure or material.emission in FUMES):
        return build_check("air", CLEAR, "needs_no_enclosure", polymer=material.polymer)
    return build_check(
        "air",
        CAUTION,
        "has_no_enclosure",
        VENTILATE,
        toolhead=toolhead.name,
        polymer=material.polymer,
        needs_enclosure=needs_enclosure,
        emission=material.emission,
    )
