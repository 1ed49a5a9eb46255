"""Rules about the parts that the filament passes: fitted, hard enough, and not used up."""

from dataclasses import replace
from typing import Any

from maintenance.readiness.inputs import FittedPart, JobSpec, MaterialInputs, ToolheadInputs
from maintenance.readiness.verdict import (
    CAUTION,
    CLEAR,
    HOLD,
    LIKELY,
    POSSIBLE,
    ReadinessCheck,
    build_check,
    build_remedy,
)
from maintenance.wear.abrasion import CUTTING_RATIO, Surface, cuts, in_hand, wear
from maintenance.wear.life import probability_used_up

# Parts whose life has a rule of its own.
OWN_LIFE_RULE = {"nozzle", "gears", "liner"}
LIFE_CODES = {CLEAR: "life_left", CAUTION: "life_perhaps_used_up", HOLD: "life_used_up"}


def nozzle_fitted(toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    if "nozzle" in toolhead.parts:
        return None
    return build_check("nozzle", HOLD, "no_nozzle", build_remedy("fit", "fit_nozzle"), toolhead=toolhead.name)


def abrasion(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """Hard filler through a nozzle that it cuts. The limit: 1.2 times the nozzle's hardness."""
    nozzle = toolhead.parts.get("nozzle")
    return None if nozzle is None else _cut_by_filler(material, "abrasion", "nozzle", nozzle, HOLD)


def gear_abrasion(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    gears = toolhead.parts.get("gears")
    if gears is None:
        remedy = build_remedy("fit", "record_gears")
        return build_check("gears", CAUTION, "gears_unrecorded", remedy, toolhead=toolhead.name)
    return _cut_by_filler(material, "gears", "gears", gears, CAUTION)


def _cut_by_filler(
    material: MaterialInputs, name: str, role: str, part: FittedPart, when_cut: str
) -> ReadinessCheck:
    if not material.filler:
        return build_check(name, CLEAR, "no_hard_filler", polymer=material.polymer, part=part.name)
    values: dict[str, Any] = {
        "filler": material.filler,
        "filler_hv": material.filler_hv,
        "part": part.name,
    }
    if part.hardness_hv is None:
        remedy = build_remedy("replace", "fit_hardened_or_record_hardness", role=role)
        return build_check(name, CAUTION, "part_hardness_unknown", remedy, **values)
    values |= {"part_hv": part.hardness_hv, "limit_hv": CUTTING_RATIO * part.hardness_hv}
    remedy = build_remedy("replace", "fit_hardened", role=role)
    if cuts(material.filler_hv, part.hardness_hv):
        return build_check(name, when_cut, "filler_cuts_part", remedy, **values)
    if cuts(material.filler_high_hv, part.hardness_hv):
        values["filler_hv"] = material.filler_high_hv
        return build_check(name, CAUTION, "filler_may_cut_part", remedy, **values)
    return build_check(name, CLEAR, "filler_too_soft_to_cut", **values)


def nozzle_life(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    return _life(material, toolhead, job, "nozzle", "nozzle life")


def gear_life(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    return _life(material, toolhead, job, "gears", "gear life")


def liner_life(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    if "liner" not in toolhead.parts and toolhead.ptfe_lined:
        remedy = build_remedy("fit", "record_liner")
        return build_check("liner life", CAUTION, "liner_unrecorded", remedy, toolhead=toolhead.name)
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
    check = _life(material, toolhead, job, max(others)[1], "other parts")
    if check is None or check.state != HOLD:
        return check
    return replace(check, state=CAUTION)


def _life(
    material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec, role: str, name: str
) -> ReadinessCheck | None:
    part = toolhead.parts.get(role)
    if part is None:
        return None
    ahead = _ahead(part, material, job)
    chance = _used_up(part, ahead)
    state = HOLD if chance > LIKELY else CAUTION if chance > POSSIBLE else CLEAR
    remedy = None
    if state != CLEAR:
        remedy = build_remedy("replace", "replace_part", role=role, in_stock=max(0, part.in_stock))
    factor, unit = in_hand(part.unit, part.bore_mm)
    return build_check(
        name,
        state,
        LIFE_CODES[state],
        remedy,
        part=part.name,
        done=factor * (part.age + ahead),
        life_median=factor * part.life.median,
        life_low=factor * part.life.low,
        life_high=factor * part.life.high,
        unit=unit,
        used_up_pct=100 * chance,
    )


def _ahead(part: FittedPart, material: MaterialInputs, job: JobSpec) -> float:
    """What the job adds to the age of a part."""
    surface = Surface(part.hardness_hv, part.bore_mm, part.heat_reference_c)
    return wear(job.use, material.filament, surface).amount(part.unit)


def _used_up(part: FittedPart, ahead: float) -> float:
    """Probability that it is used up before the job ends."""
    return probability_used_up(part.life, part.age, ahead, part.sound_at)
