"""Readiness: may this spool be printed on this toolhead, for this job? Pure rules over plain data.

A verdict is the worst of its checks. An unknown is never clear: it is a caution that says what to record or
measure. Each rule is a function of a Situation, listed in RULES; None means that it does not apply here.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from maintenance.flow.curve import SAME_C, Usable
from maintenance.gcode import Retractions
from maintenance.wear.abrasion import CUTTING_RATIO, cuts
from maintenance.wear.heat import hot_end_limit
from maintenance.wear.intervals import ServiceProgress
from maintenance.wear.learning import Expected
from maintenance.wear.life import probability_used_up
from maintenance.wear.purging import Change
from spools.wording import format_number

CLEAR, CAUTION, HOLD = "clear", "caution", "hold"
STATES = [CLEAR, CAUTION, HOLD]
# Probabilities above which something is taken as likely, and as possible (design/verdicts).
LIKELY, POSSIBLE = 0.8, 0.2
# A hot end within this of its limit has no margin. Common practice, no source.
EDGE_C = 5.0
# Retractions that wear filament and gears, and lengths above which they are unusual (usual are about 1 mm or
# less with a drive on the toolhead, a few mm through a long tube). Common practice, no source.
MOST_OVER_ONE, MOST_PER_M = 10, 200
DIRECT_RETRACTION_MM, GUIDED_RETRACTION_MM = 2.0, 8.0
SAME_DIAMETER_MM = 0.2
ENCLOSED = {"yes", "heated"}
# A flow check says little about the flow after this. Common practice, no source.
FLOW_OLD_DAYS = 60
# Parts whose life has a rule of its own.
OWN_LIFE_RULE = {"nozzle", "gears", "liner"}
# fixtures/reference/README.md, cautions: what calls for exhaust or an enclosure in ordinary printing.
FUMES = {"styrene", "caprolactam", "methyl methacrylate"}


@dataclass(frozen=True)
class Check:
    """One answer: its state, a sentence with number and limit, and what to do about it.

    action: the remedy as a key, for a button: "dry", "weigh", "replace", "fit", "wait", "other_printer",
    "other_spool", "change_job", "check_flow", "ventilate", "service", "clean" or "purge"; "" where nothing
    needs doing.
    """

    name: str
    state: str
    sentence: str
    remedy: str = ""
    action: str = ""


@dataclass(frozen=True)
class Verdict:
    """All checks of a pair, in the order of RULES."""

    checks: list[Check]

    @property
    def state(self) -> str:
        """The worst of the checks; without any nothing is known, which is a caution."""
        return max((check.state for check in self.checks), key=STATES.index, default=CAUTION)

    @property
    def reasons(self) -> list[Check]:
        """The checks that are not clear, the worst first."""
        unclear = [check for check in self.checks if check.state != CLEAR]
        return sorted(unclear, key=lambda check: -STATES.index(check.state))


@dataclass(frozen=True)
class OuterMoisture:
    """Moisture of the outermost turns that weigh mass_g, %: band (10, 50, 90 %) and chances to be over."""

    mass_g: float
    low_pct: float
    likely_pct: float
    high_pct: float
    over_clear: float
    over_hold: float


@dataclass(frozen=True)
class FittedPart:
    """A part on the toolhead. age and ahead (what the job adds) are in the unit of its life.

    sound_at: the age at which it was last taken off sound; in_stock: how many of its kind are left.
    """

    name: str
    hardness_hv: float | None
    max_c: float | None
    life: Expected
    unit: str
    age: float
    ahead: float
    sound_at: float
    in_stock: int


@dataclass(frozen=True)
class LastFlowCheck:
    """The last flow check of this material on this toolhead: its day, and the flow at 5 and 10 % loss.

    changed: the parts that are others since then, in words; "" when none is.
    """

    on: str
    days_ago: float
    nozzle_c: float
    changed: str
    at_5: Usable
    at_10: Usable


@dataclass(frozen=True)
class ReadinessInputs:
    """Everything that the rules look at: a spool, a toolhead with its parts, and a job. Units in the names.

    now, end: of the turns that the job takes, at its start and at its end; None: nothing to compute from.
    filler_high_hv: the upper end of the filler's hardness. drying: the unfinished run it is in, in words.
    dry_advice: how it would be dried. max_flow_mm3_s: None when the job does not say; flow: None without a
    flow check. retractions, job_diameter_mm: None unless the job comes from a file. guided: fed through a
    long tube. hot_end: since it was last cleaned; services: since all others.
    change: what the material before left in the hot end.
    """

    spool: str
    toolhead: str
    polymer: str
    job_mass_g: float
    job_hours: float
    nozzle_c: float
    bed_c: float
    nozzle_min_c: float
    nozzle_max_c: float
    bed_min_c: float
    bed_max_c: float
    hot_end_max_c: float
    bed_limit_c: float
    ptfe_lined: bool
    enclosed: bool
    enclosure: str
    emission: str
    limit_clear_pct: float
    limit_hold_pct: float
    now: OuterMoisture | None
    end: OuterMoisture | None
    low_g: float
    likely_g: float
    high_g: float
    tail_g: float
    filler: str = ""
    filler_hv: float = 0.0
    filler_high_hv: float = 0.0
    parts: dict[str, FittedPart] = field(default_factory=dict)
    drying: str = ""
    drying_remedy: str = ""
    dry_advice: str = ""
    max_flow_mm3_s: float | None = None
    flow: LastFlowCheck | None = None
    retractions: Retractions | None = None
    guided: bool = False
    diameter_mm: float = 0.0
    job_diameter_mm: float | None = None
    hot_end: ServiceProgress | None = None
    services: list[ServiceProgress] = field(default_factory=list)
    change: Change | None = None


def judge(situation: ReadinessInputs) -> Verdict:
    """The verdict: every rule asked."""
    answers = (rule(situation) for rule in RULES)
    return Verdict([answer for answer in answers if answer is not None])


def drying(s: ReadinessInputs) -> Check | None:
    if not s.drying:
        return Check("drying", CLEAR, f"Spool {s.spool} is in no drying run.")
    return Check("drying", HOLD, s.drying, s.drying_remedy, "wait")


def moisture(s: ReadinessInputs) -> Check:
    """Now and at the end of the print, whichever is worse; now where they are alike."""
    if s.now is None or s.end is None:
        sentence = f"The moisture of spool {s.spool} is not known; the print limit is {s.limit_hold_pct:g} %."
        return Check(
            "moisture", CAUTION, sentence, f"Record where it has been, or dry it. {s.dry_advice}", "dry"
        )
    later = STATES.index(_wet_state(s.end)) > STATES.index(_wet_state(s.now))
    wet = s.end if later else s.now
    state = _wet_state(wet)
    when = (
        f"After {format_number(s.job_hours)} h of printing in the air of {s.toolhead} the" if later else "The"
    )
    verb = "would hold" if later else "hold"
    band = (
        f"{format_number(wet.likely_pct)} % ({format_number(wet.low_pct)} to {format_number(wet.high_pct)} %)"
    )
    well = f"{s.polymer} prints well up to {s.limit_clear_pct:g} %"
    limit = f"the print limit is {s.limit_hold_pct:g} %"
    limits = {CLEAR: well, CAUTION: f"{well}, {limit}", HOLD: limit}
    sentence = f"{when} outer {wet.mass_g:.0f} g {verb} {band}; {limits[state]}."
    return Check("moisture", state, sentence, *(("", "") if state == CLEAR else (s.dry_advice, "dry")))


def _wet_state(wet: OuterMoisture) -> str:
    if wet.over_hold > LIKELY:
        return HOLD
    return CAUTION if wet.over_clear > POSSIBLE else CLEAR


def quantity(s: ReadinessInputs) -> Check:
    needed_g = s.job_mass_g + s.tail_g
    needs = f"the job needs {s.job_mass_g:.0f} g and {s.tail_g:.1f} g stay in the feed path"
    sentence = f"The spool holds {s.likely_g:.0f} g ({s.low_g:.0f} to {s.high_g:.0f} g); {needs}."
    if s.high_g < needed_g:
        return Check("quantity", HOLD, sentence, "Take another spool, or weigh this one.", "other_spool")
    if s.low_g < needed_g:
        return Check("quantity", CAUTION, sentence, "Weigh the spool, or take another one.", "weigh")
    return Check("quantity", CLEAR, sentence)


def nozzle_fitted(s: ReadinessInputs) -> Check | None:
    if "nozzle" in s.parts:
        return None
    sentence = f"No nozzle is recorded on {s.toolhead}; without one nothing can be printed."
    return Check("nozzle", HOLD, sentence, "Fit a nozzle, or record the one that is on it.", "fit")


def abrasion(s: ReadinessInputs) -> Check | None:
    """Hard filler through a nozzle that it cuts. The limit: 1.2 times the nozzle's hardness."""
    nozzle = s.parts.get("nozzle")
    if nozzle is None:
        return None
    return _cut_by_filler(s, "abrasion", nozzle, HOLD, "Fit a hardened nozzle.")


def gear_abrasion(s: ReadinessInputs) -> Check | None:
    gears = s.parts.get("gears")
    if gears is None:
        sentence = f"The drive gears of {s.toolhead} are not recorded, so their wear is not known."
        return Check("gears", CAUTION, sentence, "Record which drive gears are on it.", "fit")
    return _cut_by_filler(s, "gears", gears, CAUTION, "Fit hardened drive gears.")


def _cut_by_filler(s: ReadinessInputs, name: str, part: FittedPart, when_cut: str, remedy: str) -> Check:
    if not s.filler:
        return Check(name, CLEAR, f"{s.polymer} without hard filler passes the {part.name}.")
    if part.hardness_hv is None:
        sentence = (
            f"The hardness of the {part.name} is not known; {s.filler} ({s.filler_hv:.0f} HV) may cut it."
        )
        return Check(name, CAUTION, sentence, f"{remedy} Or add its hardness to the catalogue.", "replace")
    limit_hv = CUTTING_RATIO * part.hardness_hv
    limit = f"from {limit_hv:.0f} HV on it cuts the {part.name} ({part.hardness_hv:.0f} HV)"
    if cuts(s.filler_hv, part.hardness_hv):
        return Check(
            name, when_cut, f"{s.filler.capitalize()} has {s.filler_hv:.0f} HV; {limit}.", remedy, "replace"
        )
    if cuts(s.filler_high_hv, part.hardness_hv):
        sentence = f"{s.filler.capitalize()} may have up to {s.filler_high_hv:.0f} HV; {limit}."
        return Check(name, CAUTION, sentence, remedy, "replace")
    return Check(name, CLEAR, f"{s.filler.capitalize()} has {s.filler_hv:.0f} HV; only {limit}.")


def nozzle_life(s: ReadinessInputs) -> Check | None:
    return _life(s, "nozzle", "nozzle life")


def gear_life(s: ReadinessInputs) -> Check | None:
    return _life(s, "gears", "gear life")


def liner_life(s: ReadinessInputs) -> Check | None:
    if "liner" not in s.parts and s.ptfe_lined:
        sentence = f"The PTFE liner of {s.toolhead} is not recorded, so its hot hours are not known."
        return Check("liner life", CAUTION, sentence, "Record the liner that is in it.", "fit")
    return _life(s, "liner", "liner life")


def _life(s: ReadinessInputs, role: str, name: str) -> Check | None:
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
        return Check(name, CLEAR, sentence)
    stock = f"{part.in_stock} in stock" if part.in_stock > 0 else "none in stock, reorder"
    return Check(name, state, sentence, f"Replace the {role.replace('_', ' ')} ({stock}).", "replace")


def _used_up(part: FittedPart) -> float:
    """Probability that it is used up before the job ends."""
    return probability_used_up(part.life, part.age, part.ahead, part.sound_at)


def other_lives(s: ReadinessInputs) -> Check | None:
    """The most used up of all other parts: heaters, fans, belts, filters. They are no reason to hold."""
    others = [(_used_up(part), role) for role, part in s.parts.items() if role not in OWN_LIFE_RULE]
    if not others:
        return None
    found = _life(s, max(others)[1], "other parts")
    if found is None or found.state != HOLD:
        return found
    return replace(found, state=CAUTION)


def temperature(s: ReadinessInputs) -> Check:
    """What the machine and its parts may give, against what the feedstock and the job ask."""
    fitted = [(part.name, part.max_c) for role in ("nozzle", "liner") if (part := s.parts.get(role))]
    limit_c, whose = hot_end_limit(s.hot_end_max_c, s.ptfe_lined, fitted)
    if s.nozzle_c > limit_c:
        sentence = f"The job asks for {s.nozzle_c:.0f} °C at the nozzle; {whose} allows {limit_c:.0f} °C."
        return Check("temperature", HOLD, sentence, "Take another printer.", "other_printer")
    if s.nozzle_min_c > limit_c:
        sentence = f"{s.polymer} needs at least {s.nozzle_min_c:.0f} °C; {whose} allows {limit_c:.0f} °C."
        return Check("temperature", HOLD, sentence, "Take another printer.", "other_printer")
    if (bed_c := max(s.bed_c, s.bed_min_c)) > s.bed_limit_c:
        sentence = f"A bed of {bed_c:.0f} °C is needed; this printer's reaches {s.bed_limit_c:.0f} °C."
        return Check("temperature", HOLD, sentence, "Take another printer.", "other_printer")
    if not s.nozzle_min_c <= s.nozzle_c <= s.nozzle_max_c:
        sentence = (
            f"The job's {s.nozzle_c:.0f} °C at the nozzle is outside the {s.nozzle_min_c:.0f} to "
            f"{s.nozzle_max_c:.0f} °C of {s.polymer}."
        )
        return Check("temperature", CAUTION, sentence, "Change the job's temperature.", "change_job")
    if not s.bed_min_c <= s.bed_c <= s.bed_max_c:
        sentence = (
            f"The job's bed of {s.bed_c:.0f} °C is outside the {s.bed_min_c:.0f} to {s.bed_max_c:.0f} °C "
            f"of {s.polymer}."
        )
        return Check("temperature", CAUTION, sentence, "Change the job's temperature.", "change_job")
    if s.nozzle_c > limit_c - EDGE_C:
        sentence = f"{s.nozzle_c:.0f} °C leaves no margin: {whose} allows {limit_c:.0f} °C."
        return Check(
            "temperature", CAUTION, sentence, "Print cooler, or take another printer.", "other_printer"
        )
    sentence = f"{s.nozzle_c:.0f} °C at the nozzle and {s.bed_c:.0f} °C at the bed are within every limit."
    return Check("temperature", CLEAR, sentence)


def flow(s: ReadinessInputs) -> Check | None:
    """The job's fastest flow against what the last flow check lost there; nothing when the job has none."""
    if s.max_flow_mm3_s is None:
        return None
    asks, seen = f"The job asks up to {format_number(s.max_flow_mm3_s)} mm³/s", s.flow
    if seen is None:
        material = f"{s.polymer} with {s.filler}" if s.filler else s.polymer
        sentence = f"{asks}; there is no flow check of {material} on {s.toolhead}."
        return Check("flow", CAUTION, sentence, "Do a flow check, or print slowly.", "check_flow")
    asks = f"{asks}; the flow check of {seen.on}"
    again, slower = "Do the flow check again.", "Slow the job, or take another printer."
    at_5, at_10 = seen.at_5, seen.at_10
    if seen.changed:
        sentence = f"{asks} was made before a change of {seen.changed}."
        return Check("flow", CAUTION, sentence, again, "check_flow")
    if at_10.likely_mm3_s is not None and s.max_flow_mm3_s > at_10.likely_mm3_s:
        return Check("flow", HOLD, f"{asks} lost 10 % {usable_words(at_10)}.", slower, "change_job")
    if at_5.low_mm3_s is not None and s.max_flow_mm3_s > at_5.low_mm3_s:
        return Check("flow", CAUTION, f"{asks} lost 5 % {usable_words(at_5)}.", slower, "change_job")
    if s.max_flow_mm3_s > at_5.tested_mm3_s:
        sentence = f"{asks} went no further than {format_number(at_5.tested_mm3_s)} mm³/s."
        return Check("flow", CAUTION, sentence, "Slow the job, or check higher rates.", "change_job")
    if s.nozzle_c < seen.nozzle_c - SAME_C:
        sentence = f"{asks} was made at {seen.nozzle_c:.0f} °C, the job prints at {s.nozzle_c:.0f} °C."
        return Check("flow", CAUTION, sentence, "Print as hot, or check the flow as cool.", "check_flow")
    if seen.days_ago > FLOW_OLD_DAYS:
        sentence = f"{asks} is {seen.days_ago:.0f} days old, more than {FLOW_OLD_DAYS}."
        return Check("flow", CAUTION, sentence, again, "check_flow")
    surely = at_5.tested_mm3_s if at_5.low_mm3_s is None else at_5.low_mm3_s
    return Check("flow", CLEAR, f"{asks} lost less than 5 % up to {format_number(surely)} mm³/s.")


def usable_words(usable: Usable) -> str:
    """Where a loss is reached, such as "at 6.1 (5.4 to 7) mm³/s", or perhaps is, or that it is not."""
    low, likely, high = usable.low_mm3_s, usable.likely_mm3_s, usable.high_mm3_s
    tested = format_number(usable.tested_mm3_s)
    if low is None:
        return f"not up to {tested} mm³/s"
    if likely is None:
        return f"perhaps from {format_number(low)} mm³/s on, likely above {tested}"
    upper = f"over {tested}" if high is None else format_number(high)
    return f"at {format_number(likely)} ({format_number(low)} to {upper}) mm³/s"


def residue(s: ReadinessInputs) -> Check | None:
    """Leftovers of a hotter material, and hot hours since the hot end was cleaned."""
    if s.hot_end is None and s.change is None:
        return None
    sentences, remedies, action = [], [], ""
    if s.change is not None and s.change.matters:
        sentences, remedies, action = [s.change.sentence], [s.change.remedy], "purge"
    if s.hot_end is not None and s.hot_end.due_in_job:
        sentences.append(_since(s.hot_end))
        remedies.append("Clean the hot end and record it.")
        action = action or "clean"
    if sentences:
        return Check("residue", CAUTION, " ".join(sentences), " ".join(remedies), action)
    last = s.change.sentence if s.change is not None else ""
    count = _since(s.hot_end) if s.hot_end is not None else ""
    return Check("residue", CLEAR, f"{count} {last}".strip())


def service(s: ReadinessInputs) -> Check | None:
    """Overdue and marked as stopping the machine: a hold. Due before the job ends: a caution."""
    if not s.services:
        return None
    stopping = [since for since in s.services if since.overdue and since.stops]
    due = stopping or [since for since in s.services if since.due_in_job]
    if not due:
        return Check("service", CLEAR, f"No service of {s.toolhead} is due before this job ends.")
    state = HOLD if stopping else CAUTION
    first = max(due, key=lambda since: since.share)
    others = [since.service for since in due if since is not first]
    also = f" Due, too: {', '.join(others)}." if others else ""
    return Check(
        "service", state, _since(first) + also, "Do it and record it on the service page.", "service"
    )


def _since(since: ServiceProgress) -> str:
    """How far along it will be when the job ends."""
    done = f"{format_number(since.used + since.ahead)} of {format_number(since.interval)} {since.unit}"
    recorded = "" if since.recorded else ", which was never recorded"
    return f"After this job {since.where} will have done {done} since its {since.service}{recorded}."


def diameter(s: ReadinessInputs) -> Check | None:
    """Filament of another diameter would come out in another amount."""
    if s.job_diameter_mm is None:
        return None
    sentence = (
        f"The job's file was read for filament of {s.job_diameter_mm:g} mm; this is {s.diameter_mm:g} mm."
    )
    if abs(s.job_diameter_mm - s.diameter_mm) <= SAME_DIAMETER_MM:
        return Check("diameter", CLEAR, sentence)
    remedy = "Take another spool, or read the file again for this diameter if it was made for it."
    return Check("diameter", HOLD, sentence, remedy, "other_spool")


def retraction(s: ReadinessInputs) -> Check | None:
    """How the drive pulls back: often over the same bit, often in all, or far for the feed path."""
    back = s.retractions
    if back is None:
        return None
    path = "a long guide tube" if s.guided else "a drive on the toolhead"
    usual_mm = GUIDED_RETRACTION_MM if s.guided else DIRECT_RETRACTION_MM
    counted = f"{back.count} retractions, {format_number(back.per_m)} for each metre of filament"
    over_one = f"up to {back.most_over_one} over the same bit of it"
    reasons = []
    if back.most_over_one > MOST_OVER_ONE:
        reasons.append(f"more than {MOST_OVER_ONE} grind a bit of filament thin")
    if back.per_m > MOST_PER_M:
        reasons.append(f"more than {MOST_PER_M} a metre wear gears and filament")
    if back.usual_mm > usual_mm:
        reasons.append(
            f"the usual {format_number(back.usual_mm)} mm are more than the {usual_mm:g} mm for {path}"
        )
    if not reasons:
        return Check("retraction", CLEAR, f"{counted}, {over_one}.")
    sentence = f"{counted}, {over_one}: {'; '.join(reasons)} (common practice, no source)."
    return Check(
        "retraction", CAUTION, sentence, "Retract less often or shorter; look at the gears.", "change_job"
    )


def air(s: ReadinessInputs) -> Check:
    asks = s.enclosure in ENCLOSED
    if s.enclosed or not (asks or s.emission in FUMES):
        how = f"{s.toolhead} has an enclosure" if s.enclosed else f"{s.polymer} needs no enclosure"
        return Check("air", CLEAR, f"{how}.")
    wants = ["asks for an enclosure"] if asks else []
    if s.emission != "low":
        wants.append(f"gives off {s.emission}")
    sentence = f"{s.polymer} {' and '.join(wants)}; {s.toolhead} has no enclosure."
    return Check("air", CAUTION, sentence, "Ventilate or extract; follow local rules.", "ventilate")


RULES: list[Callable[[ReadinessInputs], Check | None]] = [
    drying,
    moisture,
    quantity,
    nozzle_fitted,
    abrasion,
    gear_abrasion,
    nozzle_life,
    gear_life,
    liner_life,
    other_lives,
    temperature,
    flow,
    diameter,
    retraction,
    residue,
    air,
    service,
]
