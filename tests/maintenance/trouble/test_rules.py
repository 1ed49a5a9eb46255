"""Trouble: the order of causes over plain data. How typical signs are is common practice, no source."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maintenance.models import TroubleOutcome
from maintenance.readiness.inputs import JobMoisture
from maintenance.trouble import rules as trouble_rules
from maintenance.trouble.causes import CAUSES, OUTSIDE, SYMPTOMS
from maintenance.trouble.rules import Evidence, PartAtPrint, PastOutcomes, other_causes, rank
from maintenance.wear.intervals import ServiceProgress
from maintenance.wear.purging import PurgeMaterial, assess_change
from spools.statements import Statement

DRY = JobMoisture(50, 0.1, 0.15, 0.2, over_clear=0.0, over_hold=0.0)
WET = JobMoisture(50, 0.9, 1.2, 1.6, over_clear=1.0, over_hold=0.97)
SOUND = {
    "nozzle": PartAtPrint("steel nozzle", 0.01, 0.1, (0.2, 1.0, 5.0), "filled_kg", 690),
    "gears": PartAtPrint("steel gears", 0.01, 20.0, (150.0, 480.0, 1500.0), "feed_km", 690),
}
CLEANED = {
    work: ServiceProgress(f"{work} cleaning", "North T0", "hours", 2, 50)
    for work in ("gears", "hot_end", "surface")
}
WELL = Evidence("PA6", 0.5, 0.75, wet=DRY, fed_g=600, parts=SOUND, services=CLEANED)
NOVEMBER = datetime(2026, 11, 3, tzinfo=UTC)
STEEPER = Statement(
    "trouble.flow_check",
    {
        "checked_at": NOVEMBER.isoformat(),
        "reason": Statement("flow.usual_loss", {"has_baseline": True}).as_data(),
    },
)
SOFT = PartAtPrint(
    "brass gears", 0.3, 60.0, (30.0, 40.0, 300.0), "feed_km", 105, 1.8, (("carbon fibre", 340),)
)
PC_LEFT = assess_change(PurgeMaterial("PC", 270, 310), PurgeMaterial("PA6", 245, 290), 265)


def first(symptoms: list[str], evidence: Evidence) -> str:
    return rank(symptoms, evidence)[0].cause


def found(cause: str, symptoms: list[str], evidence: Evidence) -> trouble_rules.CauseFinding:
    return next(finding for finding in rank(symptoms, evidence) if finding.cause == cause)


@pytest.mark.parametrize("symptoms", [["skips"], ["sudden"], ["skips", "sudden"], ["gaps", "skips"]])
def test_soft_gears_under_carbon_fibre_come_first_where_the_drive_skips_or_the_print_changes(symptoms):
    worn = replace(WELL, parts=SOUND | {"gears": SOFT})
    assert first(symptoms, worn) == "gears_worn"
    finding = found("gears_worn", symptoms, worn)
    assert finding.chance == "likely"
    fillers = [{"name": "carbon fibre", "hardness_hv": 340}]
    cut = {"part": "brass gears", "mass_g": 1800, "fillers": fillers, "hardness_hv": 105}
    assert Statement("trouble.part_cut", cut) in [line.statement for line in finding.lines]


@pytest.mark.parametrize("symptoms", [["strings"], ["pops"], ["strings", "pops"]])
def test_with_hardened_gears_and_a_wet_nylon_spool_moisture_comes_first(symptoms):
    damp = replace(WELL, wet=WET)
    assert first(symptoms, damp) == "wet"
    finding = found("wet", symptoms, damp)
    assert finding.chance == "likely"
    assert finding.lines[0].speaks == "for"
    water = {"mass_g": 50, "water_pct": 1.2, "water_low_pct": 0.9, "water_high_pct": 1.6, "polymer": "PA6"}
    water |= {"limit_clear_pct": 0.5, "limit_hold_pct": 0.75, "last_drying": None}
    assert Statement("trouble.outer_turns", water) in [line.statement for line in finding.lines]


def test_where_all_is_well_and_dry_no_consumable_is_likely():
    for symptom in SYMPTOMS:
        likely = {finding.cause for finding in rank([symptom], WELL) if finding.chance == "likely"}
        # Polyamides lift by nature.
        assert likely == ({"nature"} if symptom == "corners" else set()), symptom


def test_a_polymer_that_strings_by_nature_is_told_so_where_all_is_well_and_dry():
    finding = rank(["strings"], replace(WELL, polymer="PETG"))[0]
    assert (finding.cause, finding.chance) == ("nature", "likely")
    habit = Statement("trouble.habit", {"polymer": "PETG", "habit": "strings"})
    assert habit in [line.statement for line in finding.lines]


@pytest.mark.parametrize(
    ("cause", "symptoms", "change"),
    [
        ("leftover", ["blobs", "rough"], {"change": PC_LEFT}),
        ("tangle", ["sudden", "skips"], {"fed_g": 40.0}),
        (
            "gears_dirty",
            ["skips"],
            {"services": CLEANED | {"gears": ServiceProgress("gear cleaning", "N", "hours", 200, 50)}},
        ),
        ("gears_worn", ["skips"], {"flow": {"gears_worn": STEEPER}}),
        (
            "residue",
            ["gaps"],
            {"services": CLEANED | {"hot_end": ServiceProgress("cold pull", "N", "hours", 200, 50)}},
        ),
        (
            "nozzle_worn",
            ["rough"],
            {"parts": SOUND | {"nozzle": replace(SOUND["nozzle"], used_up=0.95)}},
        ),
        (
            "liner",
            ["gaps", "strings"],
            {
                "ptfe_lined": True,
                "parts": SOUND | {"liner": PartAtPrint("liner", 0.95, 500.0, (0.0, 5.0, 50.0), "hot_h")},
            },
        ),
        (
            "surface",
            ["first_layer"],
            {
                "polymer": "PLA",
                "services": CLEANED | {"surface": ServiceProgress("care", "N", "prints", 90, 75)},
            },
        ),
        ("nature", ["strings"], {"polymer": "PETG"}),
        ("soft_filament", ["nothing"], {"polymer": "TPU 85A", "guided": True}),
        ("tangle", ["snapped"], {"fed_g": 40.0}),
        (
            "hot_end_fan",
            ["nothing"],
            {"parts": SOUND | {"hot_end_fan": PartAtPrint("fan", 0.95, 9000.0, (0.0, 5.0, 50.0), "hours")}},
        ),
        ("wet", ["rough"], {"wet": WET}),
    ],
)
def test_each_cause_comes_first_with_its_own_signs_and_evidence(cause, symptoms, change):
    finding, without = rank(symptoms, replace(WELL, **change))[0], found(cause, symptoms, WELL)
    assert (finding.cause, finding.chance) == (cause, "likely")
    assert without.chance != "likely" and without.score < finding.score


def test_what_is_not_known_is_told_and_weighs_nothing():
    blank = Evidence("PLA", 0.3, 0.5)
    for cause, code in [
        ("wet", "trouble.moisture_unknown"),
        ("gears_worn", "trouble.part_unknown"),
        ("nozzle_worn", "trouble.part_unknown"),
        ("residue", "trouble.service_unknown"),
    ]:
        [line] = [line for line in found(cause, ["gaps"], blank).lines if line.speaks == "open"]
        assert line.statement.code == code and line.weight == 0


def test_what_was_found_before_counts_more_each_time_up_to_twice():
    scores = [
        found("residue", ["gaps"], replace(WELL, before={"residue": PastOutcomes(times, NOVEMBER)})).score
        for times in (1, 2, 3)
    ]
    assert found("residue", ["gaps"], WELL).score < scores[0] < scores[1] == scores[2]
    finding = found("residue", ["gaps"], replace(WELL, before={"residue": PastOutcomes(2, NOVEMBER)}))
    before = Statement("trouble.found_before", {"times": 2, "last_at": NOVEMBER.isoformat()})
    assert before in [line.statement for line in finding.lines]


def test_settings_faults_are_named_once_for_every_sign():
    assert set(OUTSIDE) == set(SYMPTOMS)
    named = other_causes(list(SYMPTOMS))
    assert len(named) == len({cause.code for cause in named}) > 10
    assert Statement("trouble_outside.short_retraction") in other_causes(["strings"])


def test_every_cause_has_signs_and_a_rule():
    assert set(CAUSES) == set(trouble_rules.RULES)
    assert {*CAUSES, "settings", "not_found", "mistake"} == set(TroubleOutcome.Cause.values)
    for cause in CAUSES.values():
        assert cause.signs and set(cause.signs) <= set(SYMPTOMS)
        assert all(weight in trouble_rules.TYPICAL for weight in cause.signs.values())
    assert {symptom for cause in CAUSES.values() for symptom in cause.signs} == set(SYMPTOMS)


# Properties

chances = st.floats(0, 1)
shares = st.floats(0, 3)
parts = st.builds(
    lambda used, kg, hard: PartAtPrint(
        "part", used, 1.0, (0.5, 1.0, 2.0), "feed_km", hard, kg, (("carbon fibre", 340.0),)
    ),
    chances,
    st.floats(0, 3),
    st.none() | st.floats(50, 2500),
)
since = st.builds(
    lambda used, recorded: ServiceProgress("cleaning", "North T0", "hours", used, 50.0, recorded=recorded),
    st.floats(0, 500),
    st.booleans(),
)
wetness = st.builds(
    lambda over, share: replace(DRY, over_clear=over, over_hold=over * share), chances, chances
)
evidences = st.builds(
    Evidence,
    polymer=st.sampled_from(["PLA", "PETG", "PA6", "ABS", "TPU 95A"]),
    limit_clear_pct=st.just(0.5),
    limit_hold_pct=st.just(0.75),
    wet=st.none() | wetness,
    fed_g=st.none() | st.floats(0, 1000),
    parts=st.dictionaries(st.sampled_from(["nozzle", "gears", "liner"]), parts),
    ptfe_lined=st.booleans(),
    services=st.dictionaries(st.sampled_from(["gears", "hot_end", "surface"]), since),
    change=st.none() | st.booleans().map(lambda matters: replace(PC_LEFT, matters=matters)),
    before=st.dictionaries(
        st.sampled_from(list(CAUSES)), st.builds(PastOutcomes, st.integers(1, 4), st.just(NOVEMBER))
    ),
    flow=st.dictionaries(st.sampled_from(["gears_worn", "residue"]), st.just(STEEPER)),
)
signs = st.lists(st.sampled_from(list(SYMPTOMS)), min_size=1, unique=True)


def place(cause: str, symptoms: list[str], evidence: Evidence) -> int:
    return [finding.cause for finding in rank(symptoms, evidence)].index(cause)


def wetter(e: Evidence, more: float) -> Evidence | None:
    if e.wet is None:
        return None
    grown = {name: min(1.0, getattr(e.wet, name) + more) for name in ("over_clear", "over_hold")}
    return replace(e, wet=replace(e.wet, **grown))


def more_worn(role: str):
    def grown(e: Evidence, more: float) -> Evidence | None:
        part = e.parts.get(role)
        if part is None:
            return None
        worse = replace(part, used_up=min(1.0, part.used_up + more), cut_kg=part.cut_kg + more)
        return replace(e, parts={**e.parts, role: worse})

    return grown


def longer_since(work: str):
    def grown(e: Evidence, more: float) -> Evidence | None:
        done = e.services.get(work)
        if done is None:
            return None
        return replace(e, services={**e.services, work: replace(done, used=done.used + 50 * more)})

    return grown


def less_left(e: Evidence, more: float) -> Evidence | None:
    return None if e.fed_g is None else replace(e, fed_g=e.fed_g * (1 - more))


def worse_leftover(e: Evidence, more: float) -> Evidence:
    return replace(e, change=PC_LEFT)


MORE_EVIDENCE = {
    "wet": wetter,
    "leftover": worse_leftover,
    "tangle": less_left,
    "gears_dirty": longer_since("gears"),
    "gears_worn": more_worn("gears"),
    "residue": longer_since("hot_end"),
    "nozzle_worn": more_worn("nozzle"),
    "liner": more_worn("liner"),
    "surface": longer_since("surface"),
}


@settings(max_examples=60)
@given(signs, evidences, chances)
@pytest.mark.parametrize("cause", MORE_EVIDENCE)
def test_more_evidence_for_a_cause_never_lowers_its_place(cause, symptoms, evidence, more):
    grown = MORE_EVIDENCE[cause](evidence, more)
    if grown is not None:
        assert place(cause, symptoms, grown) <= place(cause, symptoms, evidence)


@settings(max_examples=60)
@given(signs, evidences, st.sampled_from(list(CAUSES)), st.integers(1, 3))
def test_finding_it_before_or_by_a_flow_check_never_lowers_its_place_either(symptoms, evidence, cause, times):
    before = {name: found for name, found in evidence.before.items() if name != cause}
    without = replace(evidence, before=before)
    once_more = replace(evidence, before=before | {cause: PastOutcomes(times, NOVEMBER)})
    assert place(cause, symptoms, once_more) <= place(cause, symptoms, without)
    unread = replace(evidence, flow={})
    assert place(cause, symptoms, replace(evidence, flow={cause: STEEPER})) <= place(cause, symptoms, unread)


@given(signs, evidences)
def test_the_order_is_the_same_each_time_and_whatever_the_order_of_the_signs(symptoms, evidence):
    order = [(finding.cause, finding.score) for finding in rank(symptoms, evidence)]
    assert order == [(finding.cause, finding.score) for finding in rank(symptoms[::-1], evidence)]
    assert [score for _, score in order] == sorted((score for _, score in order), reverse=True)
    assert {cause for cause, _ in order} == set(CAUSES)


@given(signs, evidences)
def test_every_finding_tells_why(symptoms, evidence):
    for finding in rank(symptoms, evidence):
        assert len(finding.lines) > len(symptoms) - 1
        assert finding.score == pytest.approx(
            trouble_rules.BASE + sum(line.weight for line in finding.lines), abs=1e-6
        )
        assert all(line.statement.sentence.endswith(".") for line in finding.lines)
