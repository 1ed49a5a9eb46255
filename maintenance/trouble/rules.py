"""Trouble: from what a print looked like to the consumable causes, in the order that the evidence gives them.

Pure rules over plain data. Each cause starts with log-odds of BASE; every sign that was seen adds how
typical it is of the cause (SIGNS: common practice, no source), and every piece of evidence of that print
adds or takes some (the rules below). The sum puts the causes in order and is told in three words: likely,
possible, unlikely. It rests on experience, not on counts, so no percentages are made of it; each part of it
is a statement. Evidence of one cause never speaks for another one.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from maintenance.readiness.inputs import JobMoisture
from maintenance.trouble.causes import (
    CAUSES,
    HARDLY,
    NATURE,
    OFTEN,
    OUTSIDE,
    SOMETIMES,
    TELLING,
    TroubleCause,
)
from maintenance.wear.feeding import is_soft
from maintenance.wear.intervals import ServiceProgress
from maintenance.wear.purging import MaterialChange
from spools.statements import Statement

LIKELY, POSSIBLE, UNLIKELY = "likely", "possible", "unlikely"
FOR, AGAINST, OPEN = "for", "against", "open"

# Log-odds (natural) without any sign or evidence.
BASE = -1.5
TYPICAL = {TELLING: "telling", OFTEN: "often", SOMETIMES: "sometimes", HARDLY: "hardly"}
# Sums from which a cause is called likely, and possible.
LIKELY_FROM, POSSIBLE_FROM = 1.0, -0.5
# Filled filament that cuts a part: so much of it, in kg, is evidence in full.
CUT_KG = 1.0
# Turns near the core are tight: below this much filament they may hook or not unwind.
TIGHT_G = 100.0
# How often a cause that was found here before still adds to its evidence.
MOST_BEFORE = 2


@dataclass(frozen=True)
class PartAtPrint:
    """A part on the toolhead at the start of the print.

    used_up: the chance that its life was over; age, left (low, likely, high): in its unit. cut_kg: filament
    that had passed it with a filler hard enough to cut it, kg; cut_by: the (name, hardness in HV) of each.
    """

    name: str
    used_up: float
    age: float
    left: tuple[float, float, float]
    unit: str
    hardness_hv: float | None = None
    cut_kg: float = 0.0
    cut_by: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class PastOutcomes:
    """How often a cause was found here with one of the same signs, and when the last time."""

    times: int
    last_at: datetime


@dataclass(frozen=True)
class Evidence:
    """The evidence about a print: filament, machine, history. None or no entry: nothing is known.

    wet: of the wettest turns that it took, as they were printed. dried: the last drying. fed_g:
    what was left on the spool before it. guided: fed through a long tube. services: by work. flow: how the last
    flow check read, by cause.
    """

    polymer: str
    limit_clear_pct: float
    limit_hold_pct: float
    wet: JobMoisture | None = None
    dried: Statement | None = None
    fed_g: float | None = None
    parts: Mapping[str, PartAtPrint] = field(default_factory=dict)
    ptfe_lined: bool = False
    guided: bool = False
    services: Mapping[str, ServiceProgress] = field(default_factory=dict)
    change: MaterialChange | None = None
    before: Mapping[str, PastOutcomes] = field(default_factory=dict)
    flow: Mapping[str, Statement] = field(default_factory=dict)


@dataclass(frozen=True)
class EvidenceLine:
    """One reason: whether it speaks for the cause, against it, or leaves it open, and its log-odds."""

    speaks: str
    weight: float
    statement: Statement


@dataclass(frozen=True)
class CauseFinding:
    """A cause with its place in the order and the reasons, the weightiest first."""

    cause: str
    chance: str
    score: float
    lines: list[EvidenceLine]

    @property
    def title(self) -> str:
        return Statement(f"trouble_cause.{self.cause}").sentence

    @property
    def chance_words(self) -> str:
        return Statement(f"trouble_chance.{self.chance}").sentence

    @property
    def test(self) -> Statement:
        """The quickest one that settles it."""
        return Statement(f"trouble_test.{self.cause}")

    @property
    def remedy(self) -> Statement:
        return Statement(f"trouble_remedy.{self.cause}")


def rank(symptoms: Sequence[str], evidence: Evidence) -> list[CauseFinding]:
    """All causes, the likeliest first; equal ones in the order of CAUSES."""
    findings = [_finding(name, cause, symptoms, evidence) for name, cause in CAUSES.items()]
    return sorted(findings, key=lambda finding: -finding.score)


def other_causes(symptoms: Sequence[str]) -> list[Statement]:
    """Causes that no consumable has a part in, without repeats."""
    causes = dict.fromkeys(cause for symptom in symptoms for cause in OUTSIDE[symptom])
    return [Statement(f"trouble_outside.{cause}") for cause in causes]


def _finding(name: str, cause: TroubleCause, symptoms: Sequence[str], evidence: Evidence) -> CauseFinding:
    lines = [
        *(_sign(cause, symptom) for symptom in symptoms),
        *RULES[name](evidence, symptoms),
        *_found_before(name, evidence),
        *_flow_check(name, evidence),
    ]
    # Rounded, so that sums in another order are equal and the order of CAUSES decides.
    score = round(BASE + sum(line.weight for line in lines), 6)
    chance = LIKELY if score >= LIKELY_FROM else POSSIBLE if score >= POSSIBLE_FROM else UNLIKELY
    lines.sort(key=lambda line: -abs(line.weight))
    return CauseFinding(name, chance, score, lines)


def _sign(cause: TroubleCause, symptom: str) -> EvidenceLine:
    weight = cause.signs.get(symptom, HARDLY)
    return _line(weight, "trouble.sign", sign=symptom, typical=TYPICAL[weight])


def _line(weight: float, code: str, **values: Any) -> EvidenceLine:
    speaks = FOR if weight > 0 else AGAINST if weight < 0 else OPEN
    return EvidenceLine(speaks, weight, Statement(code, values))


def _found_before(name: str, evidence: Evidence) -> list[EvidenceLine]:
    before = evidence.before.get(name)
    if before is None:
        return []
    weight = 0.7 * min(before.times, MOST_BEFORE)
    last_at = before.last_at.isoformat()
    return [_line(weight, "trouble.found_before", times=before.times, last_at=last_at)]


def _flow_check(name: str, evidence: Evidence) -> list[EvidenceLine]:
    reading = evidence.flow.get(name)
    return [] if reading is None else [_line(2.0, reading.code, **reading.values)]


# Evidence, one function a cause: the lines that it adds.


def _wet(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    if e.wet is None:
        return [_line(0.0, "trouble.moisture_unknown")]
    return [
        _line(
            -2.0 + 2.0 * e.wet.over_clear + 2.5 * e.wet.over_hold,
            "trouble.outer_turns",
            mass_g=e.wet.mass_g,
            water_pct=e.wet.likely_pct,
            water_low_pct=e.wet.low_pct,
            water_high_pct=e.wet.high_pct,
            polymer=e.polymer,
            limit_clear_pct=e.limit_clear_pct,
            limit_hold_pct=e.limit_hold_pct,
            last_drying=e.dried and e.dried.as_data(),
        )
    ]


def _leftover(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    if e.change is None:
        return [_line(-1.5, "trouble.same_spool_before")]
    weight = 2.0 if e.change.matters else 0.3
    return [_line(weight, "trouble.first_after_change", change=e.change.statement.as_data())]


def _tangle(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    if e.fed_g is None:
        return []
    if e.fed_g > TIGHT_G:
        return [_line(-0.5, "trouble.loose_turns", left_g=e.fed_g)]
    return [_line(1.0, "trouble.tight_turns", left_g=e.fed_g)]


def _soft_filament(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    if not is_soft(e.polymer):
        return [_line(-3.0, "trouble.not_soft", polymer=e.polymer)]
    if not e.guided:
        return [_line(-2.0, "trouble.drive_on_toolhead")]
    return [_line(2.0, "trouble.soft_in_tube", polymer=e.polymer)]


def _gears_dirty(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    return _since(e.services.get("gears"), -1.0, 0.5)


def _gears_worn(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    return _worn(e.parts.get("gears"), "gears", 3.0)


def _residue(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    return _since(e.services.get("hot_end"), -1.5, 0.5)


def _hot_end_fan(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    return _worn(e.parts.get("hot_end_fan"), "hot_end_fan", 0.0)


def _nozzle_worn(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    return _worn(e.parts.get("nozzle"), "nozzle", 1.5)


def _liner(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    if not e.ptfe_lined:
        return [_line(-3.0, "trouble.no_ptfe")]
    return _worn(e.parts.get("liner"), "liner", 0.0)


def _surface(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    return _since(e.services.get("surface"), -0.5, 1.0)


def _nature(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    habits = next((habits for start, habits in NATURE.items() if e.polymer.startswith(start)), {})
    lines = [
        _line(1.0, "trouble.habit", polymer=e.polymer, habit=habits[symptom])
        for symptom in symptoms
        if symptom in habits
    ]
    return lines or [_line(-3.0, "trouble.other_polymer", polymer=e.polymer)]


RULES: dict[str, Callable[[Evidence, Sequence[str]], list[EvidenceLine]]] = {
    "wet": _wet,
    "leftover": _leftover,
    "tangle": _tangle,
    "soft_filament": _soft_filament,
    "gears_dirty": _gears_dirty,
    "gears_worn": _gears_worn,
    "residue": _residue,
    "hot_end_fan": _hot_end_fan,
    "nozzle_worn": _nozzle_worn,
    "liner": _liner,
    "surface": _surface,
    "nature": _nature,
}


def _worn(part: PartAtPrint | None, role: str, cut_weight: float) -> list[EvidenceLine]:
    """How used up a part was, and what had cut it: from 1 against to 2 for, and cut_weight more."""
    if part is None:
        return [_line(0.0, "trouble.part_unknown", role=role)]
    low, likely, high = part.left
    use = _line(
        -1.0 + 3.0 * part.used_up,
        "trouble.part_use",
        part=part.name,
        age=part.age,
        unit=part.unit,
        left=likely,
        left_low=low,
        left_high=high,
        used_up_pct=100 * part.used_up,
    )
    if part.cut_kg <= 0:
        return [use]
    cut = _line(
        cut_weight * min(1.0, part.cut_kg / CUT_KG),
        "trouble.part_cut",
        part=part.name,
        mass_g=1000 * part.cut_kg,
        fillers=[{"name": name, "hardness_hv": hardness_hv} for name, hardness_hv in part.cut_by],
        hardness_hv=part.hardness_hv,
    )
    return [use, cut]


def _since(since: ServiceProgress | None, clean: float, due: float) -> list[EvidenceLine]:
    """From ``clean`` right after the service to ``due`` when its interval is over, and half as much again."""
    if since is None:
        return [_line(0.0, "trouble.service_unknown")]
    return [
        _line(
            clean + (due - clean) * min(1.5, since.share),
            "trouble.service_progress",
            where=since.where,
            service=since.service,
            used=since.used,
            interval=since.interval,
            unit=since.unit,
            recorded=since.recorded,
        )
    ]
