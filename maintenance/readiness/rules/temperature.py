"""Rules about heat: the limits of the hot end and the bed, and the air around the printer."""

from maintenance.readiness.inputs import ReadinessInputs
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, ReadinessCheck
from maintenance.wear.heat import hot_end_limit

# A hot end within this of its limit has no margin. Common practice, no source.
EDGE_C = 5.0
ENCLOSED = {"yes", "heated"}
# fixtures/reference/README.md, cautions: what calls for exhaust or an enclosure in ordinary printing.
FUMES = {"styrene", "caprolactam", "methyl methacrylate"}


def temperature(s: ReadinessInputs) -> ReadinessCheck:
    """The limits of the machine and its parts, against the needs of the feedstock and the job."""
    fitted = [(part.name, part.max_c) for role in ("nozzle", "liner") if (part := s.parts.get(role))]
    limit_c, whose = hot_end_limit(s.hot_end_max_c, s.ptfe_lined, fitted)
    if s.nozzle_c > limit_c:
        sentence = f"The job asks for {s.nozzle_c:.0f} °C at the nozzle; {whose} allows {limit_c:.0f} °C."
        return ReadinessCheck("temperature", HOLD, sentence, "Take another printer.", "other_printer")
    if s.nozzle_min_c > limit_c:
        sentence = f"{s.polymer} needs at least {s.nozzle_min_c:.0f} °C; {whose} allows {limit_c:.0f} °C."
        return ReadinessCheck("temperature", HOLD, sentence, "Take another printer.", "other_printer")
    if (bed_c := max(s.bed_c, s.bed_min_c)) > s.bed_limit_c:
        sentence = f"A bed of {bed_c:.0f} °C is needed; this printer's reaches {s.bed_limit_c:.0f} °C."
        return ReadinessCheck("temperature", HOLD, sentence, "Take another printer.", "other_printer")
    if not s.nozzle_min_c <= s.nozzle_c <= s.nozzle_max_c:
        sentence = (
            f"The job's {s.nozzle_c:.0f} °C at the nozzle is outside the {s.nozzle_min_c:.0f} to "
            f"{s.nozzle_max_c:.0f} °C of {s.polymer}."
        )
        return ReadinessCheck("temperature", CAUTION, sentence, "Change the job's temperature.", "change_job")
    if not s.bed_min_c <= s.bed_c <= s.bed_max_c:
        sentence = (
            f"The job's bed of {s.bed_c:.0f} °C is outside the {s.bed_min_c:.0f} to {s.bed_max_c:.0f} °C "
            f"of {s.polymer}."
        )
        return ReadinessCheck("temperature", CAUTION, sentence, "Change the job's temperature.", "change_job")
    if s.nozzle_c > limit_c - EDGE_C:
        sentence = f"{s.nozzle_c:.0f} °C leaves no margin: {whose} allows {limit_c:.0f} °C."
        return ReadinessCheck(
            "temperature", CAUTION, sentence, "Print cooler, or take another printer.", "other_printer"
        )
    sentence = f"{s.nozzle_c:.0f} °C at the nozzle and {s.bed_c:.0f} °C at the bed are within every limit."
    return ReadinessCheck("temperature", CLEAR, sentence)


def air(s: ReadinessInputs) -> ReadinessCheck:
    asks = s.enclosure in ENCLOSED
    if s.enclosed or not (asks or s.emission in FUMES):
        how = f"{s.toolhead} has an enclosure" if s.enclosed else f"{s.polymer} needs no enclosure"
        return ReadinessCheck("air", CLEAR, f"{how}.")
    wants = ["asks for an enclosure"] if asks else []
    if s.emission != "low":
        wants.append(f"gives off {s.emission}")
    sentence = f"{s.polymer} {' and '.join(wants)}; {s.toolhead} has no enclosure."
    return ReadinessCheck("air", CAUTION, sentence, "Ventilate or extract; follow local rules.", "ventilate")
