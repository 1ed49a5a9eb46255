"""Rules about the parts that the filament passes: fitted, hard enough, and not used up."""

from dataclasses import replace

from maintenance.readiness.inputs import FittedPart, JobSpec, MaterialInputs, ToolheadInputs
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, LIKELY, POSSIBLE, ReadinessCheck
from maintenance.wear.abrasion import CUTTING_RATIO, Surface, cuts, wear
from maintenance.wear.life import probability_used_up
from spools.wording import format_number

# Parts whose life has a rule of its own.
OWN_LIFE_RULE = {"nozzle", "gears", "liner"}


def nozzle_fitted(toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    if "nozzle" in toolhead.parts:
        return None
    sentence = f"No nozzle is recorded on {toolhead.name}; without one nothing can be printed."
    return ReadinessCheck("nozzle", HOLD, sentence, "Fit a nozzle, or record the one that is on it.", "fit")


def abrasion(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """Hard filler through a nozzle that it cuts. The limit: 1.2 times the nozzle's hardness."""
    nozzle = toolhead.parts.get("nozzle")
    if nozzle is None:
        return None
    return _cut_by_filler(material, "abrasion", nozzle, HOLD, "Fit a hardened nozzle.")


def gear_abrasion(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    gears = toolhead.parts.get("gears")
    if gears is None:
        sentence = f"The drive gears of {toolhead.name} are not recorded, so their wear is not known."
        return ReadinessCheck("gears", CAUTION, sentence, "Record which drive gears are on it.", "fit")
    return _cut_by_filler(material, "gears", gears, CAUTION, "Fit hardened drive gears.")


def _cut_by_filler(
    material: MaterialInputs, name: str, part: FittedPart, when_cut: str, remedy: str
) -> ReadinessCheck:
    if not material.filler:
        return ReadinessCheck(name, CLEAR, f"{material.polymer} without hard filler passes the {part.name}.")
    if part.hardness_hv is None:
        sentence = f"The hardness of the {part.name} is not known; {material.filler} ({material.filler_hv:.0f} HV) may cut it."
        return ReadinessCheck(
            name, CAUTION, sentence, f"{remedy} Or add its hardness to the catalogue.", "replace"
        )
    limit_hv = CUTTING_RATIO * part.hardness_hv
    limit = f"from {limit_hv:.0f} HV on it cuts the {part.name} ({part.hardness_hv:.0f} HV)"
    if cuts(material.filler_hv, part.hardness_hv):
        return ReadinessCheck(
            name,
            when_cut,
            f"{material.filler.capitalize()} has {material.filler_hv:.0f} HV; {limit}.",
            remedy,
            "replace",
        )
    if cuts(material.filler_high_hv, part.hardness_hv):
        sentence = f"{material.filler.capitalize()} may have up to {material.filler_high_hv:.0f} HV; {limit}."
        return ReadinessCheck(name, CAUTION, sentence, remedy, "replace")
    return ReadinessCheck(
        name, CLEAR, f"{material.filler.capitalize()} has {material.filler_hv:.0f} HV; only {limit}."
    )


def nozzle_life(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    return _life(material, toolhead, job, "nozzle", "nozzle life")


def gear_life(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    return _life(material, toolhead, job, "gears", "gear life")


def liner_life(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    if "liner" not in toolhead.parts and toolhead.ptfe_lined:
        sentence = f"The PTFE liner of {toolhead.name} is not recorded, so its hot hours are not known."
        return ReadinessCheck("liner life", CAUTION, sentence, "Record the liner that is in it.", "fit")
    return _life(material, toolhead, job, "liner", "liner life")


def other_lives(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """The most used up of all other parts: heaters, fans, belts, filters. They are no reason to hold."""
    others = [
        (_used_up(part, _ahead(part, material, job)), role)
        for role, part in toolhead.parts.items()
        if role not in OWN_LIFE_RULE
    ]
    if not others:
        return None
    found = _life(material, toolhead, job, max(others)[1], "other parts")
    if found is None or found.state != HOLD:
        return found
    return replace(found, state=CAUTION)


def _life(
    material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec, role: str, name: str
) -> ReadinessCheck | None:
    part = toolhead.parts.get(role)
    if part is None:
        return None
    ahead = _ahead(part, material, job)
    chance = _used_up(part, ahead)
    state = HOLD if chance > LIKELY else CAUTION if chance > POSSIBLE else CLEAR
    low, median, high = (format_number(age) for age in (part.life.low, part.life.median, part.life.high))
    life = f"{median} ({low} to {high}) {part.unit_words}"
    done = format_number(part.age + ahead)
    sentence = (
        f"After this job the {part.name} will have done {done} of an expected {life}: "
        f"{100 * chance:.0f} % likely to be used up by then."
    )
    if state == CLEAR:
        return ReadinessCheck(name, CLEAR, sentence)
    stock = f"{part.in_stock} in stock" if part.in_stock > 0 else "none in stock, reorder"
    return ReadinessCheck(
        name, state, sentence, f"Replace the {role.replace('_', ' ')} ({stock}).", "replace"
    )


def _ahead(part: FittedPart, material: MaterialInputs, job: JobSpec) -> float:
    """What the job adds to the age of a part."""
    surface = Surface(part.hardness_hv, part.bore_mm, part.heat_reference_c)
    return wear(job.use, material.filament, surface).amount(part.unit)


def _used_up(part: FittedPart, ahead: float) -> float:
    """Probability that it is used up before the job ends."""
    return probability_used_up(part.life, part.age, ahead, part.sound_at)
