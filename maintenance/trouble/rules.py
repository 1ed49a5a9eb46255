"""Trouble: from what a print looked like to the consumable causes, in the order that the evidence gives them.

Pure rules over plain data. Each cause starts with log-odds of BASE; every sign that was seen adds how
typical it is of the cause (SIGNS: common practice, no source), and every piece of evidence of that print
adds or takes some (the rules below). The sum puts the causes in order and is told in three words: likely,
possible, unlikely. It rests on experience, not on counts, so no percentages are made of it; each part of it
is told in a sentence. Evidence of one cause never speaks for another one.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from maintenance.readiness.inputs import OuterMoisture
from maintenance.trouble.causes import (
    CAUSES,
    HARDLY,
    NATURE,
    OFTEN,
    OUTSIDE,
    SOMETIMES,
    SYMPTOMS,
    TELLING,
    TroubleCause,
)
from maintenance.wear.intervals import ServiceProgress
from maintenance.wear.purging import MaterialChange
from spools.wording import format_number

LIKELY, POSSIBLE, UNLIKELY = "likely", "possible", "unlikely"
FOR, AGAINST, OPEN = "for", "against", "open"

# Log-odds (natural) without any sign or evidence.
BASE = -1.5
HOW_TYPICAL = {TELLING: "telling sign", OFTEN: "often seen with it", SOMETIMES: "sometimes seen with it"}
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

    used_up: the chance that its life was over; life: how far it was, in words. cut_kg: filament that had
    passed it with a filler hard enough to cut it, kg; cut_by: that filler, in words.
    """

    name: str
    used_up: float
    life: str
    hardness_hv: float | None = None
    cut_kg: float = 0.0
    cut_by: str = ""


@dataclass(frozen=True)
class PastOutcomes:
    """How often a cause was found here with one of the same signs, and when the last time, in words."""

    times: int
    last: str


@dataclass(frozen=True)
class Evidence:
    """The evidence about a print: filament, machine, history. None or no entry: nothing is known.

    wet: of the turns that it took, at its start or end, whichever were wetter. dried: the last drying, in
    words. fed_g: what was left on the spool before it. services: by work. flow: how the last flow check
    read, by cause, in words.
    """

    polymer: str
    limit_clear_pct: float
    limit_hold_pct: float
    wet: OuterMoisture | None = None
    dried: str = ""
    fed_g: float | None = None
    parts: Mapping[str, PartAtPrint] = field(default_factory=dict)
    ptfe_lined: bool = False
    services: Mapping[str, ServiceProgress] = field(default_factory=dict)
    change: MaterialChange | None = None
    before: Mapping[str, PastOutcomes] = field(default_factory=dict)
    flow: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class EvidenceLine:
    """One reason: whether it speaks for the cause, against it, or leaves it open, its log-odds, in words."""

    speaks: str
    weight: float
    sentence: str


@dataclass(frozen=True)
class CauseFinding:
    """A cause with its place in the order and the reasons, the weightiest first."""

    cause: str
    chance: str
    score: float
    lines: list[EvidenceLine]
    test: str
    remedy: str


def rank(symptoms: Sequence[str], evidence: Evidence) -> list[CauseFinding]:
    """All causes, the likeliest first; equal ones in the order of CAUSES."""
    findings = [_finding(name, cause, symptoms, evidence) for name, cause in CAUSES.items()]
    return sorted(findings, key=lambda finding: -finding.score)


def other_causes(symptoms: Sequence[str]) -> list[str]:
    """Causes that no consumable has a part in, without repeats."""
    return list(dict.fromkeys(cause for symptom in symptoms for cause in OUTSIDE[symptom]))


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
    return CauseFinding(name, chance, score, lines, cause.test, cause.remedy)


def _sign(cause: TroubleCause, symptom: str) -> EvidenceLine:
    weight = cause.signs.get(symptom, HARDLY)
    seen = SYMPTOMS[symptom].capitalize()
    return _line(weight, f"{seen}: {HOW_TYPICAL.get(weight, 'hardly ever comes of it')}.")


def _line(weight: float, sentence: str) -> EvidenceLine:
    return EvidenceLine(FOR if weight > 0 else AGAINST if weight < 0 else OPEN, weight, sentence)


def _found_before(name: str, evidence: Evidence) -> list[EvidenceLine]:
    before = evidence.before.get(name)
    if before is None:
        return []
    times = "once" if before.times == 1 else f"{before.times} times"
    weight = 0.7 * min(before.times, MOST_BEFORE)
    return [_line(weight, f"Found here {times} with such a sign, last on {before.last}.")]


def _flow_check(name: str, evidence: Evidence) -> list[EvidenceLine]:
    reading = evidence.flow.get(name)
    return [] if reading is None else [_line(2.0, reading)]


# Evidence, one function a cause: the lines that it adds.


def _wet(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    if e.wet is None:
        return [_line(0.0, "How wet the turns were is not known. Record where the spool has been.")]
    band = f"{format_number(e.wet.likely_pct)} % ({format_number(e.wet.low_pct)} to {format_number(e.wet.high_pct)} %)"
    sentence = (
        f"The {e.wet.mass_g:.0f} g that were printed held {band}; {e.polymer} prints well up to "
        f"{e.limit_clear_pct:g} %, the print limit is {e.limit_hold_pct:g} %. {e.dried}"
    )
    return [_line(-2.0 + 2.0 * e.wet.over_clear + 2.5 * e.wet.over_hold, sentence.rstrip())]


def _leftover(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    if e.change is None:
        return [_line(-1.5, "The same spool was printed here before, without a change of material.")]
    return [
        _line(2.0 if e.change.matters else 0.3, f"It was the first print after a change. {e.change.sentence}")
    ]


def _tangle(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    if e.fed_g is None:
        return []
    if e.fed_g > TIGHT_G:
        return [_line(-0.5, f"About {e.fed_g:.0f} g were on the spool: no tight turns near the core.")]
    return [_line(1.0, f"Only about {e.fed_g:.0f} g were on the spool: the turns near the core are tight.")]


def _gears_dirty(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    return _since(e.services.get("gears"), -1.0, 0.5)


def _gears_worn(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    return _worn(e.parts.get("gears"), "drive gears", 3.0)


def _residue(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    return _since(e.services.get("hot_end"), -1.5, 0.5)


def _nozzle_worn(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    return _worn(e.parts.get("nozzle"), "nozzle", 1.5)


def _liner(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    if not e.ptfe_lined:
        return [_line(-3.0, "No PTFE reaches into this hot end.")]
    return _worn(e.parts.get("liner"), "liner", 0.0)


def _surface(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    return _since(e.services.get("surface"), -0.5, 1.0)


def _nature(e: Evidence, symptoms: Sequence[str]) -> list[EvidenceLine]:
    known = next((does for start, does in NATURE.items() if e.polymer.startswith(start)), {})
    lines = [
        _line(
            1.0,
            f"{e.polymer} {known[symptom]}, even dry and on a sound machine (common practice, no source).",
        )
        for symptom in symptoms
        if symptom in known
    ]
    return lines or [_line(-3.0, f"{e.polymer} is not known for this.")]


RULES: dict[str, Callable[[Evidence, Sequence[str]], list[EvidenceLine]]] = {
    "wet": _wet,
    "leftover": _leftover,
    "tangle": _tangle,
    "gears_dirty": _gears_dirty,
    "gears_worn": _gears_worn,
    "residue": _residue,
    "nozzle_worn": _nozzle_worn,
    "liner": _liner,
    "surface": _surface,
    "nature": _nature,
}


def _worn(part: PartAtPrint | None, role: str, cut_weight: float) -> list[EvidenceLine]:
    """How used up a part was, and what had cut it: from 1 against to 2 for, and cut_weight more."""
    if part is None:
        return [_line(0.0, f"Which {role} it had is not recorded, so its wear is not known.")]
    used = f"{part.life}: {100 * part.used_up:.0f} % likely to be used up."
    lines = [_line(-1.0 + 3.0 * part.used_up, used)]
    if part.cut_kg > 0:
        passed = f"{format_number(1000 * part.cut_kg)} g with {part.cut_by} had passed the {part.name}"
        cuts = "taken to be cut by it: its hardness is not known"
        if part.hardness_hv is not None:
            cuts = f"hard enough to cut its {part.hardness_hv:.0f} HV"
        sentence = f"{passed}, {cuts}."
        lines.append(_line(cut_weight * min(1.0, part.cut_kg / CUT_KG), sentence))
    return lines


def _since(since: ServiceProgress | None, clean: float, due: float) -> list[EvidenceLine]:
    """From ``clean`` right after the service to ``due`` when its interval is over, and half as much again."""
    if since is None:
        return [_line(0.0, "When that was last cleaned is not recorded.")]
    weight = clean + (due - clean) * min(1.5, since.share)
    done = f"{format_number(since.used)} of {format_number(since.interval)} {since.unit}"
    ago = f"since the last {since.service}" if since.recorded else f"and no {since.service} is recorded"
    return [_line(weight, f"{since.where}: {done} {ago}.")]
