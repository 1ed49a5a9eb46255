"""Trouble: from what a print looked like to the consumable causes, in the order that the evidence gives them.

Pure rules over plain data. Each cause starts with log-odds of BASE; every sign that was seen adds how
typical it is of the cause (SIGNS: common practice, no source), and every piece of evidence of that print
adds or takes some (the rules below). The sum puts the causes in order and is told in three words: likely,
possible, unlikely. It rests on experience, not on counts, so no percentages are made of it; each part of it
is told in a sentence. Evidence of one cause never speaks for another one.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from maintenance.readiness.rules import Wetness
from maintenance.wear.intervals import Since
from maintenance.wear.purging import Change
from spools.wording import format_number

LIKELY, POSSIBLE, UNLIKELY = "likely", "possible", "unlikely"
FOR, AGAINST, OPEN = "for", "against", "open"

# What is seen of a print, and how a person says it.
SYMPTOMS = {
    "strings": "fine strings between parts",
    "pops": "popping, steam or bubbles",
    "gaps": "gaps, thin lines or weak layers",
    "skips": "the drive skips, clicks or grinds",
    "sudden": "a sudden change in the middle",
    "rough": "a rough or matt surface",
    "blobs": "blobs, dark specks or drops",
    "first_layer": "a poor first layer",
}

# Log-odds (natural): without any sign or evidence, and how typical a sign is of a cause.
BASE = -1.5
TELLING, OFTEN, SOMETIMES, HARDLY = 2.5, 1.5, 0.5, -1.5
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
class Cause:
    """A consumable cause: what it is called, the quickest test that settles it, and what then helps.

    act: where the way out is recorded: "dry", "replace", "service", "other_spool" or "".
    role or work: of the part that is replaced, of the service that is done.
    """

    title: str
    signs: Mapping[str, float]
    test: str
    way_out: str
    act: str = ""
    role: str = ""
    work: str = ""


# In the order in which causes of equal weight are told: what is tried soonest comes first.
CAUSES = {
    "wet": Cause(
        "The filament was wet",
        {
            "pops": TELLING,
            "strings": OFTEN,
            "rough": OFTEN,
            "gaps": SOMETIMES,
            "blobs": SOMETIMES,
            "sudden": SOMETIMES,
        },
        "Push 20 cm by hand or by the menu into the air: a foamy strand, hissing or steam means wet. "
        "A dry one comes out clear and smooth.",
        "Dry it, then print the same part again.",
        act="dry",
    ),
    "leftover": Cause(
        "Leftovers of the material before",
        {"sudden": SOMETIMES, "skips": SOMETIMES, "gaps": SOMETIMES, "rough": SOMETIMES, "blobs": OFTEN},
        "Push 20 cm into the air at the old material's temperature: streaks or lumps of another colour.",
        "Purge at the old material's temperature until the strand is of one colour.",
    ),
    "tangle": Cause(
        "The spool held the filament back",
        {"sudden": OFTEN, "skips": SOMETIMES, "gaps": SOMETIMES},
        "Pull a metre off by hand where it stopped: it must run freely, without crossed or hooked turns.",
        "Unwind to the crossing and free it, or take another spool.",
        act="other_spool",
    ),
    "gears_dirty": Cause(
        "Dust and shavings in the drive gears",
        {"skips": OFTEN, "sudden": SOMETIMES, "gaps": SOMETIMES},
        "Look at the teeth with a lamp: plastic between them, dust below them.",
        "Brush the teeth clean with the machine off.",
        act="service",
        work="gears",
    ),
    "gears_worn": Cause(
        "Worn drive gears",
        {"skips": OFTEN, "sudden": OFTEN, "gaps": OFTEN, "rough": SOMETIMES},
        "Hold the filament back by hand while it feeds slowly: sound teeth pull on, worn ones slip and shave "
        "it. Rounded tips show under a lamp.",
        "Replace the drive gears by hardened ones and record the old ones as worn.",
        act="replace",
        role="gears",
    ),
    "residue": Cause(
        "Residue narrows the hot end",
        {
            "skips": OFTEN,
            "sudden": OFTEN,
            "gaps": OFTEN,
            "blobs": SOMETIMES,
            "rough": SOMETIMES,
        },
        "Push slowly into the air: a strand that curls to one side or comes in pulses is half blocked. "
        "A cold pull shows the specks.",
        "Clean the hot end with a cold pull and record it.",
        act="service",
        work="hot_end",
    ),
    "nozzle_worn": Cause(
        "Worn nozzle",
        {
            "rough": OFTEN,
            "strings": SOMETIMES,
            "blobs": SOMETIMES,
            "first_layer": SOMETIMES,
            "gaps": SOMETIMES,
        },
        "Look at the tip through a lens: an oval or wide bore, a flat that is worn away. A drill shank or "
        "pin gauge of the next size must not enter it.",
        "Replace the nozzle and record the old one as worn.",
        act="replace",
        role="nozzle",
    ),
    "liner": Cause(
        "Aged PTFE liner",
        {"skips": SOMETIMES, "sudden": SOMETIMES, "gaps": OFTEN, "strings": SOMETIMES},
        "Take the cold hot end apart and look at the liner's lower end: brown, soft, or wide.",
        "Replace the liner.",
        act="replace",
        role="liner",
    ),
    "surface": Cause(
        "A dirty or worn build surface",
        {"first_layer": TELLING},
        "Wash it with hot water and soap, dry it, and print one layer where it failed.",
        "Wash it; where that does not help, roughen or replace the surface.",
        act="service",
        work="surface",
    ),
    "nature": Cause(
        "That is this polymer's nature",
        {"strings": OFTEN, "blobs": OFTEN, "first_layer": SOMETIMES, "gaps": SOMETIMES, "rough": SOMETIMES},
        "Print the same part with a dry spool of another polymer and its own settings: the sign stays away.",
        "Nothing is broken: tune temperature, speed and retraction for it.",
    ),
}

# What may turn out: one of the causes, or none of them.
OTHERWISE = {
    "settings": "A setting, or another cause outside the consumables",
    "not_found": "No cause was found",
    "mistake": "Reported by mistake",
}
OUTCOMES = {name: cause.title for name, cause in CAUSES.items()} | OTHERWISE

# Causes outside the consumables, by sign: named so that nobody swaps parts for a settings fault.
# Common practice, no source.
OUTSIDE = {
    "strings": ["retraction too short or too slow", "nozzle too hot", "no z-lift or slow travel moves"],
    "pops": ["nozzle far too hot for this polymer"],
    "gaps": ["nozzle too cold for the speed", "too much cooling", "flow or filament diameter set too low"],
    "skips": [
        "faster than the hot end melts",
        "nozzle too cold",
        "first layer so low that nothing comes out",
    ],
    "sudden": ["a fan or heater that failed", "a cable or belt that came loose", "a draught"],
    "rough": ["nozzle too cold or too fast", "vibration, a loose belt or screw"],
    "blobs": ["seam, pressure or retraction settings", "nozzle too hot"],
    "first_layer": ["gap to the bed", "bed too cold or not level", "first layer too fast"],
}

# What some polymers do however dry and well set up, by the first letters of their name. Common practice,
# no source.
NATURE = {
    "PETG": {"strings": "pulls strings easily", "blobs": "clings to the nozzle and drops off as blobs"},
    "PCTG": {"strings": "pulls strings easily", "blobs": "clings to the nozzle and drops off as blobs"},
    "TPU": {"strings": "is soft and pulls strings"},
    "PVA": {"strings": "pulls strings easily", "blobs": "chars quickly when it stands in the heat"},
    "BVOH": {"strings": "pulls strings easily", "blobs": "chars quickly when it stands in the heat"},
    "PPA": {"first_layer": "shrinks and lifts at the corners"},
    "PP": {"first_layer": "sticks to little else than PP"},
    "PA": {"first_layer": "shrinks and lifts at the corners"},
    "ABS": {"gaps": "splits between layers in a draught", "first_layer": "shrinks and lifts at the corners"},
    "ASA": {"gaps": "splits between layers in a draught", "first_layer": "shrinks and lifts at the corners"},
    "PC": {"gaps": "splits between layers in a cold room", "first_layer": "shrinks and lifts at the corners"},
    "POM": {"first_layer": "sticks to very little and shrinks"},
}


@dataclass(frozen=True)
class PartThen:
    """A part on the toolhead as that print found it.

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
class Before:
    """How often a cause was found here with one of the same signs, and when the last time, in words."""

    times: int
    last: str


@dataclass(frozen=True)
class Evidence:
    """What is known of a print: turns, machine, history. None or no entry: nothing is known.

    wet: of the turns that it took, at its start or end, whichever were wetter. dried: the last drying, in
    words. fed_g: what was left on the spool before it. services: by work. flow: how the last flow check
    read, by cause, in words.
    """

    polymer: str
    limit_clear_pct: float
    limit_hold_pct: float
    wet: Wetness | None = None
    dried: str = ""
    fed_g: float | None = None
    parts: Mapping[str, PartThen] = field(default_factory=dict)
    ptfe_lined: bool = False
    services: Mapping[str, Since] = field(default_factory=dict)
    change: Change | None = None
    before: Mapping[str, Before] = field(default_factory=dict)
    flow: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Line:
    """One reason: whether it speaks for the cause, against it, or leaves it open, its log-odds, in words."""

    speaks: str
    weight: float
    sentence: str


@dataclass(frozen=True)
class Finding:
    """A cause with its place in the order and the reasons, the weightiest first."""

    cause: str
    title: str
    chance: str
    score: float
    lines: list[Line]
    test: str
    way_out: str


def rank(symptoms: Sequence[str], evidence: Evidence) -> list[Finding]:
    """All causes, the likeliest first; equal ones in the order of CAUSES."""
    findings = [_finding(name, cause, symptoms, evidence) for name, cause in CAUSES.items()]
    return sorted(findings, key=lambda finding: -finding.score)


def outside(symptoms: Sequence[str]) -> list[str]:
    """Causes that no consumable has a part in, without repeats."""
    return list(dict.fromkeys(cause for symptom in symptoms for cause in OUTSIDE[symptom]))


def _finding(name: str, cause: Cause, symptoms: Sequence[str], evidence: Evidence) -> Finding:
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
    return Finding(name, cause.title, chance, score, lines, cause.test, cause.way_out)


def _sign(cause: Cause, symptom: str) -> Line:
    weight = cause.signs.get(symptom, HARDLY)
    seen = SYMPTOMS[symptom].capitalize()
    return _line(weight, f"{seen}: {HOW_TYPICAL.get(weight, 'hardly ever comes of it')}.")


def _line(weight: float, sentence: str) -> Line:
    return Line(FOR if weight > 0 else AGAINST if weight < 0 else OPEN, weight, sentence)


def _found_before(name: str, evidence: Evidence) -> list[Line]:
    before = evidence.before.get(name)
    if before is None:
        return []
    times = "once" if before.times == 1 else f"{before.times} times"
    weight = 0.7 * min(before.times, MOST_BEFORE)
    return [_line(weight, f"Found here {times} with such a sign, last on {before.last}.")]


def _flow_check(name: str, evidence: Evidence) -> list[Line]:
    reading = evidence.flow.get(name)
    return [] if reading is None else [_line(2.0, reading)]


# Evidence, one function a cause: the lines that it adds.


def _wet(e: Evidence, symptoms: Sequence[str]) -> list[Line]:
    if e.wet is None:
        return [_line(0.0, "How wet the turns were is not known. Record where the spool has been.")]
    band = f"{format_number(e.wet.likely_pct)} % ({format_number(e.wet.low_pct)} to {format_number(e.wet.high_pct)} %)"
    sentence = (
        f"The {e.wet.mass_g:.0f} g that were printed held {band}; {e.polymer} prints well up to "
        f"{e.limit_clear_pct:g} %, the print limit is {e.limit_hold_pct:g} %. {e.dried}"
    )
    return [_line(-2.0 + 2.0 * e.wet.over_clear + 2.5 * e.wet.over_hold, sentence.rstrip())]


def _leftover(e: Evidence, symptoms: Sequence[str]) -> list[Line]:
    if e.change is None:
        return [_line(-1.5, "The same spool was printed here before, without a change of material.")]
    return [
        _line(2.0 if e.change.matters else 0.3, f"It was the first print after a change. {e.change.sentence}")
    ]


def _tangle(e: Evidence, symptoms: Sequence[str]) -> list[Line]:
    if e.fed_g is None:
        return []
    if e.fed_g > TIGHT_G:
        return [_line(-0.5, f"About {e.fed_g:.0f} g were on the spool: no tight turns near the core.")]
    return [_line(1.0, f"Only about {e.fed_g:.0f} g were on the spool: the turns near the core are tight.")]


def _gears_dirty(e: Evidence, symptoms: Sequence[str]) -> list[Line]:
    return _since(e.services.get("gears"), -1.0, 0.5)


def _gears_worn(e: Evidence, symptoms: Sequence[str]) -> list[Line]:
    return _worn(e.parts.get("gears"), "drive gears", 3.0)


def _residue(e: Evidence, symptoms: Sequence[str]) -> list[Line]:
    return _since(e.services.get("hot_end"), -1.5, 0.5)


def _nozzle_worn(e: Evidence, symptoms: Sequence[str]) -> list[Line]:
    return _worn(e.parts.get("nozzle"), "nozzle", 1.5)


def _liner(e: Evidence, symptoms: Sequence[str]) -> list[Line]:
    if not e.ptfe_lined:
        return [_line(-3.0, "No PTFE reaches into this hot end.")]
    return _worn(e.parts.get("liner"), "liner", 0.0)


def _surface(e: Evidence, symptoms: Sequence[str]) -> list[Line]:
    return _since(e.services.get("surface"), -0.5, 1.0)


def _nature(e: Evidence, symptoms: Sequence[str]) -> list[Line]:
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


RULES: dict[str, Callable[[Evidence, Sequence[str]], list[Line]]] = {
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


def _worn(part: PartThen | None, role: str, cut_weight: float) -> list[Line]:
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


def _since(since: Since | None, clean: float, due: float) -> list[Line]:
    """From ``clean`` right after the service to ``due`` when its interval is over, and half as much again."""
    if since is None:
        return [_line(0.0, "When that was last cleaned is not recorded.")]
    weight = clean + (due - clean) * min(1.5, since.share)
    done = f"{format_number(since.used)} of {format_number(since.interval)} {since.unit}"
    ago = f"since the last {since.service}" if since.recorded else f"and no {since.service} is recorded"
    return [_line(weight, f"{since.where}: {done} {ago}.")]
