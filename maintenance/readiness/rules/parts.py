"""Rules about the parts that the filament passes: fitted, hard enough, and not used up."""

from dataclasses import replace

from maintenance.readiness.inputs import FittedPart, ReadinessInputs
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, LIKELY, POSSIBLE, ReadinessCheck
from maintenance.wear.abrasion import CUTTING_RATIO, cuts
from maintenance.wear.life import probability_used_up
from spools.wording import format_number

# Parts whose life has a rule of its own.
OWN_LIFE_RULE = {"nozzle", "gears", "liner"}


def nozzle_fitted(s: ReadinessInputs) -> ReadinessCheck | None:
    if "nozzle" in s.parts:
        return None
    sentence = f"No nozzle is recorded on {s.toolhead}; without one nothing can be printed."
    return ReadinessCheck("nozzle", HOLD, sentence, "Fit a nozzle, or record the one that is on it.", "fit")


def abrasion(s: ReadinessInputs) -> ReadinessCheck | None:
    """Hard filler through a nozzle that it cuts. The limit: 1.2 times the nozzle's hardness."""
    nozzle = s.parts.get("nozzle")
    if nozzle is None:
        return None
    return _cut_by_filler(s, "abrasion", nozzle, HOLD, "Fit a hardened nozzle.")


def gear_abrasion(s: ReadinessInputs) -> ReadinessCheck | None:
    gears = s.parts.get("gears")
    if gears is None:
        sentence = f"The drive gears of {s.toolhead} are not recorded, so their wear is not known."
        return ReadinessCheck("gears", CAUTION, sentence, "Record which drive gears are on it.", "fit")
    return _cut_by_filler(s, "gears", gears, CAUTION, "Fit hardened drive gears.")


def _cut_by_filler(
    s: ReadinessInputs, name: str, part: FittedPart, when_cut: str, remedy: str
) -> ReadinessCheck:
    if not s.filler:
        return ReadinessCheck(name, CLEAR, f"{s.polymer} without hard filler passes the {part.name}.")
    if part.hardness_hv is None:
        sentence = (
            f"The hardness of the {part.name} is not known; {s.filler} ({s.filler_hv:.0f} HV) may cut it."
        )
        return ReadinessCheck(
            name, CAUTION, sentence, f"{remedy} Or add its hardness to the catalogue.", "replace"
        )
    limit_hv = CUTTING_RATIO * part.hardness_hv
    limit = f"from {limit_hv:.0f} HV on it cuts the {part.name} ({part.hardness_hv:.0f} HV)"
    if cuts(s.filler_hv, part.hardness_hv):
        return ReadinessCheck(
            name, when_cut, f"{s.filler.capitalize()} has {s.filler_hv:.0f} HV; {limit}.", remedy, "replace"
        )
    if cuts(s.filler_high_hv, part.hardness_hv):
        sentence = f"{s.filler.capitalize()} may have up to {s.filler_high_hv:.0f} HV; {limit}."
        return ReadinessCheck(name, CAUTION, sentence, remedy, "replace")
    return ReadinessCheck(name, CLEAR, f"{s.filler.capitalize()} has {s.filler_hv:.0f} HV; only {limit}.")


def nozzle_life(s: ReadinessInputs) -> ReadinessCheck | None:
    return _life(s, "nozzle", "nozzle life")


def gear_life(s: ReadinessInputs) -> ReadinessCheck | None:
    return _life(s, "gears", "gear life")


def liner_life(s: ReadinessInputs) -> ReadinessCheck | None:
    if "liner" not in s.parts and s.ptfe_lined:
        sentence = f"The PTFE liner of {s.toolhead} is not recorded, so its hot hours are not known."
        return ReadinessCheck("liner life", CAUTION, sentence, "Record the liner that is in it.", "fit")
    return _life(s, "liner", "liner life")


def other_lives(s: ReadinessInputs) -> ReadinessCheck | None:
    """The most used up of all other parts: heaters, fans, belts, filters. They are no reason to hold."""
    others = [(_used_up(part), role) for role, part in s.parts.items() if role not in OWN_LIFE_RULE]
    if not others:
        return None
    found = _life(s, max(others)[1], "other parts")
    if found is None or found.state != HOLD:
        return found
    return replace(found, state=CAUTION)


def _life(s: ReadinessInputs, role: str, name: str) -> ReadinessCheck | None:
    part = s.parts.get(role)
    if part is None:
        return None
    chance = _used_up(part)
    state = HOLD if chance > LIKELY else CAUTION if chance > POSSIBLE else CLEAR
    life = f"{format_number(part.life.median)} ({format_number(part.life.low)} to {format_number(part.life.high)}) {part.unit}"
    done = format_number(part.age + part.ahead)
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


def _used_up(part: FittedPart) -> float:
    """Probability that it is used up before the job ends."""
    return probability_used_up(part.life, part.age, part.ahead, part.sound_at)
