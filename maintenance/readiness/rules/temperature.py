"""Rules about heat: the limits of the hot end and the bed, and the air around the printer."""

from maintenance.readiness.inputs import JobSpec, MaterialInputs, ToolheadInputs
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, ReadinessCheck
from maintenance.wear.heat import hot_end_limit

# A hot end within this of its limit has no margin. Common practice, no source.
EDGE_C = 5.0
ENCLOSED = {"yes", "heated"}
# fixtures/reference/README.md, cautions: what calls for exhaust or an enclosure in ordinary printing.
FUMES = {"styrene", "caprolactam", "methyl methacrylate"}


def temperature(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck:
    """The limits of the machine and its parts, against the needs of the feedstock and the job."""
    fitted = [(part.name, part.max_c) for role in ("nozzle", "liner") if (part := toolhead.parts.get(role))]
    limit_c, whose = hot_end_limit(toolhead.hot_end_max_c, toolhead.ptfe_lined, fitted)
    if job.nozzle_c > limit_c:
        sentence = f"The job asks for {job.nozzle_c:.0f} °C at the nozzle; {whose} allows {limit_c:.0f} °C."
        return ReadinessCheck("temperature", HOLD, sentence, "Take another printer.", "other_printer")
    if material.nozzle_min_c > limit_c:
        sentence = f"{material.polymer} needs at least {material.nozzle_min_c:.0f} °C; {whose} allows {limit_c:.0f} °C."
        return ReadinessCheck("temperature", HOLD, sentence, "Take another printer.", "other_printer")
    if (bed_c := max(job.bed_c, material.bed_min_c)) > toolhead.bed_limit_c:
        sentence = f"A bed of {bed_c:.0f} °C is needed; this printer's reaches {toolhead.bed_limit_c:.0f} °C."
        return ReadinessCheck("temperature", HOLD, sentence, "Take another printer.", "other_printer")
    if not material.nozzle_min_c <= job.nozzle_c <= material.nozzle_max_c:
        sentence = (
            f"The job's {job.nozzle_c:.0f} °C at the nozzle is outside the {material.nozzle_min_c:.0f} to "
            f"{material.nozzle_max_c:.0f} °C of {material.polymer}."
        )
        return ReadinessCheck("temperature", CAUTION, sentence, "Change the job's temperature.", "change_job")
    if not material.bed_min_c <= job.bed_c <= material.bed_max_c:
        sentence = (
            f"The job's bed of {job.bed_c:.0f} °C is outside the {material.bed_min_c:.0f} to {material.bed_max_c:.0f} °C "
            f"of {material.polymer}."
        )
        return ReadinessCheck("temperature", CAUTION, sentence, "Change the job's temperature.", "change_job")
    if job.nozzle_c > limit_c - EDGE_C:
        sentence = f"{job.nozzle_c:.0f} °C leaves no margin: {whose} allows {limit_c:.0f} °C."
        return ReadinessCheck(
            "temperature", CAUTION, sentence, "Print cooler, or take another printer.", "other_printer"
        )
    sentence = (
        f"{job.nozzle_c:.0f} °C at the nozzle and {job.bed_c:.0f} °C at the bed are within every limit."
    )
    return ReadinessCheck("temperature", CLEAR, sentence)


def air(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck:
    asks = material.enclosure in ENCLOSED
    if toolhead.enclosed or not (asks or material.emission in FUMES):
        how = (
            f"{toolhead.name} has an enclosure"
            if toolhead.enclosed
            else f"{material.polymer} needs no enclosure"
        )
        return ReadinessCheck("air", CLEAR, f"{how}.")
    wants = ["asks for an enclosure"] if asks else []
    if material.emission != "low":
        wants.append(f"gives off {material.emission}")
    sentence = f"{material.polymer} {' and '.join(wants)}; {toolhead.name} has no enclosure."
    return ReadinessCheck("air", CAUTION, sentence, "Ventilate or extract; follow local rules.", "ventilate")
