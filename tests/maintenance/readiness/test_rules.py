"""Each rule by itself, at its limits, over plain data."""

import json
from dataclasses import asdict, fields, replace

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.gcode import Retractions
from maintenance.readiness.inputs import (
    LEAST_JOB_G,
    FedMaterial,
    FeedPlace,
    FittedPart,
    JobAhead,
    JobMoisture,
    JobSpec,
    MaterialInputs,
    OpenRun,
    PrintSite,
    ReadinessInputs,
    SpoolInputs,
    ToolheadInputs,
    small_job,
)
from maintenance.readiness.rules import ORDER, judge
from maintenance.readiness.rules.service import material_change
from maintenance.readiness.verdict import (
    CAUTION,
    CLEAR,
    HOLD,
    STATES,
    ReadinessCheck,
    Remedy,
    Verdict,
    build_check,
    decode_checks,
    encode_checks,
)
from maintenance.wear.abrasion import Filament
from maintenance.wear.intervals import ServiceProgress
from maintenance.wear.learning import learn
from maintenance.wear.life import Life, probability_used_up
from maintenance.wear.purging import PurgeMaterial
from spools.statements import Statement, join

DRY = JobMoisture(50, 0.1, 0.15, 0.2, over_clear=0.0, over_hold=0.0)
DAMP = JobMoisture(50, 0.4, 0.6, 0.9, over_clear=0.7, over_hold=0.3)
WET = JobMoisture(50, 0.7, 0.9, 1.2, over_clear=1.0, over_hold=0.88)

DRY_ADVICE = Statement("advice.no_dryer", {"target_pct": 0.5})


def part(name: str, **values) -> FittedPart:
    given = {"hardness_hv": 690.0, "bore_mm": None, "heat_reference_c": None, "max_c": None}
    given |= {"life": learn(Life(100, 30, 300)), "unit": "hours"}
    given |= {"age": 0.0, "sound_at": 0.0, "in_stock": 2}
    return FittedPart(name, **(given | values))


PARTS = {
    "nozzle": part("hardened steel nozzle"),
    "gears": part("hardened steel gears"),
    "liner": part("all-metal heat break", hardness_hv=None),
}
GOOD = ReadinessInputs(
    spool=SpoolInputs(
        code="K7M4QX",
        low_g=480,
        likely_g=500,
        high_g=520,
        now=DRY,
        dry_advice=DRY_ADVICE,
    ),
    site=PrintSite(toolhead="North T0", printed=DRY, tail_g=0.4),
    material=MaterialInputs(
        feedstock=1,
        polymer="PA6",
        filament=Filament(1.14, 1.75, usual_c=265),
        flow_c=219,
        nozzle_min_c=245,
        nozzle_max_c=290,
        bed_min_c=50,
        bed_max_c=100,
        enclosure="yes",
        emission="caprolactam",
        limit_clear_pct=0.5,
        limit_hold_pct=0.75,
    ),
    toolhead=ToolheadInputs(
        name="North T0",
        hot_end_max_c=300,
        bed_limit_c=110,
        ptfe_lined=False,
        enclosed=True,
        tail_mm=50,
        parts=PARTS,
    ),
    job=JobSpec(mass_g=120, hours=6, nozzle_c=265, bed_c=80),
)
INPUTS = ["spool", "site", "material", "toolhead", "job"]


def vary(inputs: ReadinessInputs = GOOD, **values) -> ReadinessInputs:
    """The inputs with other values, each in the part that has a field of its name."""
    parts = {name: getattr(inputs, name) for name in INPUTS}
    for key, value in values.items():
        [name] = [name for name, of in parts.items() if key in {field.name for field in fields(of)}]
        parts[name] = replace(parts[name], **{key: value})
    return ReadinessInputs(**parts)


def says(found: ReadinessCheck, code: str, **values) -> bool:
    """Whether it has this code, and these values among others."""
    its = found.statement
    return its.code == f"readiness.{code}" and {**its.values, **values} == its.values


def acts(found: ReadinessCheck, action: str, code: str | None = None, **values) -> bool:
    """Whether its remedy is this act, and no remedy where there is no act."""
    if found.remedy is None:
        return action == ""
    statement = found.remedy.statement
    right = code is None or statement == Statement(f"readiness.{code}", values)
    return found.remedy.action == action and right


def check(name: str, inputs: ReadinessInputs) -> ReadinessCheck:
    [found] = [found for found in judge(inputs).checks if found.name == name]
    return found


def with_part(role: str, hours: float = 6, **values) -> ReadinessInputs:
    return vary(parts=PARTS | {role: replace(PARTS[role], **values)}, hours=hours)


def test_where_all_is_well_every_check_is_clear():
    verdict = judge(GOOD)
    assert verdict.state == CLEAR and verdict.reasons == []
    assert {found.state for found in verdict.checks} == {CLEAR}
    assert not any(found.remedy for found in verdict.checks)


def test_a_verdict_is_its_worst_check_and_tells_the_worst_first():
    checks = [
        build_check("a", CLEAR, "ventilate"),
        build_check("b", CAUTION, "ventilate"),
        build_check("c", HOLD, "ventilate"),
        build_check("d", CAUTION, "ventilate"),
    ]
    assert Verdict(checks).state == HOLD
    assert [found.name for found in Verdict(checks).reasons] == ["c", "b", "d"]
    assert [found.name for found in Verdict(checks).holds] == ["c"]


def test_a_check_in_words_names_its_spool_and_its_remedy_where_it_has_them():
    clear, held = check("moisture", GOOD), check("moisture", vary(printed=WET))
    assert clear.advice == clear.sentence == clear.statement.sentence
    assert held.sentence == held.statement.sentence
    assert held.advice == f"{held.sentence} {held.remedy.sentence}"
    assert replace(held, spool="K7M-4QX").sentence == f"K7M-4QX: {held.sentence}"


def test_where_nothing_was_checked_nothing_is_clear():
    assert Verdict([]).state == CAUTION


def test_moisture_over_the_limit_is_a_hold_with_number_limit_and_remedy():
    found = check("moisture", vary(now=WET, printed=WET))
    assert found.state == HOLD
    band = {"mass_g": 50, "likely_pct": 0.9, "low_pct": 0.7, "high_pct": 1.2}
    assert says(
        found, "moisture_over_print_limit", **band, print_limit_pct=0.75, printed_before_g=0, after_h=0
    )
    assert found.remedy == Remedy("dry", DRY_ADVICE)


def test_moisture_that_may_be_over_is_a_caution():
    found = check("moisture", vary(now=DAMP, printed=DAMP))
    assert found.state == CAUTION and says(found, "moisture_over_clear_limit", clear_limit_pct=0.5)


@pytest.mark.parametrize("code", ["advice.dry", "advice.no_dryer", "advice.pending"])
def test_a_wet_spool_is_dried_as_it_is_advised(code):
    assert check("moisture", vary(now=WET, printed=WET, dry_advice=Statement(code))).remedy == Remedy(
        "dry", Statement(code)
    )
    assert check("moisture", vary(now=WET, printed=WET, dry_advice=None)).remedy is None


@pytest.mark.parametrize(
    ("over_clear", "over_hold", "state"),
    [(0.2, 0, CLEAR), (0.21, 0, CAUTION), (1, 0.8, CAUTION), (1, 0.81, HOLD)],
)
def test_moisture_turns_at_the_stated_probabilities(over_clear, over_hold, state):
    wet = replace(DRY, over_clear=over_clear, over_hold=over_hold)
    assert check("moisture", vary(now=wet, printed=wet)).state == state


def test_a_spool_that_gets_wet_during_the_print_is_told_so():
    found = check("moisture", vary(printed=replace(WET, printed_before_g=60)))
    assert found.state == HOLD
    values = {"printed_before_g": 60, "after_h": 3, "toolhead": "North T0", "mass_g": 50}
    assert says(found, "moisture_over_print_limit", **values)


def test_moisture_names_no_more_grams_than_the_spool_holds():
    found = check("moisture", vary(now=WET, printed=WET, low_g=10, likely_g=13, high_g=20))
    assert says(found, "moisture_over_print_limit", mass_g=13)
    empty = check("moisture", vary(now=WET, printed=WET, low_g=0, likely_g=0, high_g=0))
    assert says(empty, "moisture_over_print_limit", mass_g=LEAST_JOB_G)


def test_turns_count_as_they_are_when_they_are_printed():
    assert check("moisture", vary(now=WET)).state == CLEAR


def test_a_spool_that_is_dry_enough_for_a_small_job_alone_is_dried():
    wet_inside = vary(now=WET, printed=WET, dry_advice=Statement("advice.none_needed"))
    assert acts(check("moisture", wet_inside), "dry", "dry_throughout")


@pytest.mark.parametrize(("now", "printed"), [(None, None), (None, DRY), (DRY, None)])
def test_moisture_without_evidence_is_a_caution_that_says_what_to_do(now, printed):
    found = check("moisture", vary(now=now, printed=printed))
    assert found.state == CAUTION and says(found, "moisture_unknown", print_limit_pct=0.75)
    advice = join(Statement("readiness.record_places_or_dry"), DRY_ADVICE)
    assert found.remedy == Remedy("dry", advice)


@pytest.mark.parametrize(
    ("low", "high", "state"),
    [(120.4, 130, CLEAR), (120.3, 130, CAUTION), (100, 120.4, CAUTION), (100, 120.3, HOLD), (0, 0, HOLD)],
)
def test_quantity_counts_the_tail_that_cannot_be_fed(low, high, state):
    found = check("quantity", vary(low_g=low, likely_g=(low + high) / 2, high_g=high))
    assert found.state == state
    codes = {CLEAR: "enough_filament", CAUTION: "perhaps_too_little_filament", HOLD: "too_little_filament"}
    assert says(found, codes[state], job_g=120, tail_g=0.4, low_g=low, high_g=high)
    assert acts(found, {CLEAR: "", CAUTION: "weigh", HOLD: "other_spool"}[state])


def test_a_small_job_is_clear_whatever_rounding_does_to_the_tail():
    assert (46.6 - 2.09) + 2.09 > 46.6
    inputs = replace(vary(low_g=46.6, high_g=46.6, tail_g=2.09), job=small_job(GOOD.material, 300, 110))
    assert check("quantity", inputs).state == CLEAR


def test_without_a_nozzle_nothing_prints():
    found = check("nozzle", vary(parts={}))
    assert found.state == HOLD and says(found, "no_nozzle") and acts(found, "fit", "fit_nozzle")
    assert "abrasion" not in [other.name for other in judge(vary(parts={})).checks]


def filled(
    role: str, hardness_hv: float | None, filler_hv: float = 340, high: float = 370
) -> ReadinessInputs:
    soft = with_part(role, name="worn tip", hardness_hv=hardness_hv)
    return vary(soft, filler="carbon fibre", filler_hv=filler_hv, filler_high_hv=high)


@pytest.mark.parametrize(
    ("surface", "state"),
    [(105, HOLD), (283, HOLD), (284, CAUTION), (308, CAUTION), (309, CLEAR), (None, CAUTION)],
)
def test_filler_on_a_nozzle_turns_at_one_and_a_fifth_of_its_hardness(surface, state):
    found = check("abrasion", filled("nozzle", surface))
    assert found.state == state
    assert acts(found, "" if state == CLEAR else "replace")


def test_a_cut_nozzle_is_told_with_both_hardnesses():
    values = {"filler": "carbon fibre", "filler_hv": 340, "part": "worn tip", "part_hv": 105, "limit_hv": 126}
    found = check("abrasion", filled("nozzle", 105))
    assert says(found, "filler_cuts_part", **values) and acts(found, "replace", "fit_hardened", role="nozzle")
    assert says(check("abrasion", filled("nozzle", 300)), "filler_may_cut_part", filler_hv=370, limit_hv=360)
    assert says(check("abrasion", filled("nozzle", 690)), "filler_too_soft_to_cut", limit_hv=828)
    unknown = check("abrasion", filled("nozzle", None))
    assert says(unknown, "part_hardness_unknown", part="worn tip", filler_hv=340)
    assert acts(unknown, "replace", "fit_hardened_or_record_hardness", role="nozzle")


def test_filler_on_soft_gears_is_a_caution():
    assert check("gears", filled("gears", 105)).state == CAUTION
    assert check("gears", filled("gears", 690)).state == CLEAR
    assert check("gears", filled("gears", None)).state == CAUTION


def test_plain_filament_is_clear_on_soft_parts():
    assert check("abrasion", with_part("nozzle", hardness_hv=None)).state == CLEAR
    assert check("gears", with_part("gears", hardness_hv=None)).state == CLEAR


def test_gears_that_nobody_recorded_are_no_clear_case():
    found = check("gears", vary(parts={"nozzle": PARTS["nozzle"]}))
    assert found.state == CAUTION and says(found, "gears_unrecorded") and acts(found, "fit", "record_gears")


LIFE_CHECKS = {"nozzle": "nozzle life", "gears": "gear life", "liner": "liner life"}


@pytest.mark.parametrize("role", LIFE_CHECKS)
def test_a_part_that_may_be_used_up_before_the_job_ends(role):
    # The life is 100 (30 to 300): 20 % are used up by 48, 80 % by 199.5.
    name = LIFE_CHECKS[role]
    assert check(name, with_part(role, age=42, hours=5)).state == CLEAR
    due = check(name, with_part(role, age=42, hours=7))
    assert due.state == CAUTION
    assert says(due, "life_perhaps_used_up", part=PARTS[role].name, done=49, unit="hours")
    life = [due.statement.values[f"life_{name}"] for name in ("low", "median", "high")]
    assert life == pytest.approx([30, 100, 300], rel=0.01)
    chance = probability_used_up(PARTS[role].life, age=42, ahead=7, sound_at=0)
    assert due.statement.values["used_up_pct"] == pytest.approx(100 * chance) == pytest.approx(21, abs=0.5)
    assert acts(due, "replace", "replace_part", role=role, in_stock=2)
    gone = check(name, with_part(role, age=195, hours=6, in_stock=-1))
    assert gone.state == HOLD and says(gone, "life_used_up")
    assert acts(gone, "replace", "replace_part", role=role, in_stock=0)


def test_other_parts_are_a_caution_however_used_up():
    assert "other parts" not in [found.name for found in judge(GOOD).checks]
    parts = PARTS | {"belts": part("belt set"), "hot_end_fan": part("small fan", age=400)}
    found = check("other parts", vary(parts=parts))
    assert found.state == CAUTION and says(found, "life_used_up", part="small fan")
    assert acts(found, "replace", "replace_part", role="hot_end_fan", in_stock=2)
    assert check("other parts", vary(parts=PARTS | {"belts": part("belt set")})).state == CLEAR


def test_a_part_seen_sound_lately_is_good_for_longer():
    assert check("nozzle life", with_part("nozzle", hours=0.1, age=60, sound_at=58)).state == CLEAR


def test_a_ptfe_liner_that_nobody_recorded_is_no_clear_case():
    parts = {role: PARTS[role] for role in ("nozzle", "gears")}
    assert check("liner life", vary(parts=parts, ptfe_lined=True, nozzle_c=245)).state == CAUTION
    assert "liner life" not in [found.name for found in judge(vary(parts=parts)).checks]


JOB_TOO_HOT = "job_too_hot_for_machine"


@pytest.mark.parametrize(
    ("change", "state", "code", "values"),
    [
        ({"hot_end_max_c": 264}, HOLD, JOB_TOO_HOT, {"limited_by": "hot_end", "limit_c": 264}),
        ({"hot_end_max_c": 240, "nozzle_c": 235}, HOLD, "material_too_hot_for_machine", {"min_c": 245}),
        ({"ptfe_lined": True}, HOLD, JOB_TOO_HOT, {"limited_by": "ptfe", "limit_c": 250}),
        ({"ptfe_lined": True, "nozzle_c": 250}, CAUTION, "no_heat_margin", {"limited_by": "ptfe"}),
        ({"ptfe_lined": True, "nozzle_c": 245}, CLEAR, "temperatures_fit", {}),
        ({"hot_end_max_c": 267}, CAUTION, "no_heat_margin", {"limit_c": 267}),
        ({"bed_limit_c": 79}, HOLD, "bed_not_hot_enough", {"bed_c": 80, "limit_c": 79}),
        ({"bed_limit_c": 49, "bed_c": 40}, HOLD, "bed_not_hot_enough", {"bed_c": 50}),
        ({"bed_c": 50}, CLEAR, "temperatures_fit", {}),
        ({"bed_c": 100}, CLEAR, "temperatures_fit", {}),
        ({"bed_limit_c": 80}, CLEAR, "temperatures_fit", {}),
        ({"hot_end_max_c": 269}, CAUTION, "no_heat_margin", {"limited_by": "hot_end", "limit_c": 269}),
        ({"hot_end_max_c": 270}, CLEAR, "temperatures_fit", {}),
        ({"hot_end_max_c": 265}, CAUTION, "no_heat_margin", {"limit_c": 265}),
        ({"hot_end_max_c": 245, "nozzle_c": 241}, CAUTION, "no_heat_margin", {"limit_c": 245}),
        ({"bed_c": 40}, CAUTION, "bed_outside_window", {"bed_c": 40, "min_c": 50, "max_c": 100}),
        ({"bed_c": 105}, CAUTION, "bed_outside_window", {"bed_c": 105}),
    ],
)
def test_temperature(change, state, code, values):
    found = check("temperature", vary(**change))
    assert found.state == state and says(found, code, **values), found
    assert (found.remedy is None) == (state == CLEAR)


@pytest.mark.parametrize("role", ["nozzle", "liner"])
def test_a_part_that_bears_less_heat_than_the_hot_end_sets_the_limit(role):
    found = check("temperature", with_part(role, name="a weak part", max_c=260))
    assert found.state == HOLD and says(found, JOB_TOO_HOT, limited_by="a weak part", limit_c=260)


def test_a_spool_in_the_dryer_is_on_hold():
    run = OpenRun("Warm box", 75, 60, 4, "2026-11-30T18:00:00+00:00")
    found = check("drying", vary(run=run))
    assert found.state == HOLD and says(found, "in_run", **asdict(run))
    assert found.remedy == Remedy("wait", DRY_ADVICE)


def test_a_spool_that_is_dry_now_is_printed_from_a_dry_box_where_the_job_would_wet_it():
    dry = Statement("advice.none_needed", {"target_pct": 0.5})
    found = check("moisture", replace(vary(dry_advice=dry), site=replace(GOOD.site, printed=WET)))
    assert found.state == HOLD and acts(found, "change_job", "print_from_dry_box")


def test_a_spool_that_the_printers_air_wets_is_fed_from_the_driest_place_where_that_helps():
    def fed_from(**places):
        feed_places = [FeedPlace(name, printed) for name, printed in places.items()]
        site = replace(GOOD.site, printed=WET, feed_places=feed_places)
        return check("moisture", replace(GOOD, site=site))

    feed_from_box = Remedy("change_job", Statement("readiness.feed_from", {"place": "Box"}))
    found = fed_from(Tub=WET, Box=DRY)
    assert found.state == HOLD and found.remedy == feed_from_box
    assert fed_from(Tub=WET).remedy == Remedy("dry", DRY_ADVICE)
    wet_now = replace(
        vary(now=WET), site=replace(GOOD.site, printed=WET, feed_places=[FeedPlace("Box", DRY)])
    )
    assert check("moisture", wet_now).remedy == Remedy("dry", DRY_ADVICE), "no air of a box dries it"


def test_air():
    found = check("air", vary(enclosed=False))
    values = {"needs_enclosure": True, "emission": "caprolactam", "polymer": "PA6", "toolhead": "North T0"}
    assert found.state == CAUTION and says(found, "has_no_enclosure", **values)
    assert acts(found, "ventilate", "ventilate")
    assert check("air", vary(enclosed=False, enclosure="no", emission="lactide")).state == CLEAR
    fumes = check("air", vary(enclosed=False, enclosure="helps", emission="styrene"))
    assert fumes.state == CAUTION
    assert says(fumes, "has_no_enclosure", needs_enclosure=False, emission="styrene")


CLEANED = ServiceProgress("hot-end cleaning", "North T0", "hours", used=40, interval=50)


@pytest.mark.parametrize(("ahead", "state"), [(9.9, CLEAR), (10, CAUTION), (500, CAUTION)])
def test_residue_turns_where_its_hot_hours_are_over_before_the_job_ends(ahead, state):
    found = check("residue", vary(hot_end=CLEANED, hours=ahead))
    assert found.state == state and acts(found, "" if state == CLEAR else "clean")
    assert says(found, "hot_end_count", done=40 + ahead, interval=50, service="hot-end cleaning")


PC, PLA = PurgeMaterial("PC", 270, 310), PurgeMaterial("PLA", 190, 230)


def test_leftovers_that_matter_are_told_before_the_hot_hours():
    inputs = vary(fed=[FedMaterial(2, True, PC)], hot_end=CLEANED, hours=20)
    both, change = check("residue", inputs), material_change(inputs.material, inputs.toolhead, 265)
    count = check("residue", vary(hot_end=CLEANED, hours=20))
    assert (both.state, both.statement) == (CAUTION, join(change.statement, count.statement))
    assert both.remedy == Remedy("purge", join(change.remedy, count.remedy.statement))
    alone = check("residue", vary(fed=[FedMaterial(2, True, PC)]))
    assert (alone.statement, alone.remedy) == (change.statement, Remedy("purge", change.remedy))
    assert check("residue", vary(inputs, hours=1)) == alone
    harmless = vary(fed=[FedMaterial(2, True, PLA), FedMaterial(3, True, PC)])
    assert check("residue", harmless).state == CLEAR
    assert check("residue", harmless).statement.code == "purging.leftovers_char"


@pytest.mark.parametrize(
    ("fed", "told"),
    [
        ([], False),
        ([FedMaterial(1, True, PC), FedMaterial(2, True, PC)], False),
        ([FedMaterial(1, False, PC), FedMaterial(2, True, PC)], True),
        ([FedMaterial(1, False, PC), FedMaterial(1, True, PC)], False),
        ([FedMaterial(2, False, PC), FedMaterial(1, True, PC)], True),
        ([FedMaterial(1, False, PC), FedMaterial(0, True, PC)], True),
        ([FedMaterial(0, True, PC)], True),
    ],
)
def test_the_material_before_counts_until_the_new_one_was_printed(fed, told):
    assert [found.name for found in judge(vary(fed=fed)).reasons] == ["residue"] * told


def test_where_no_service_is_asked_for_nothing_is_said_of_it():
    assert not {"residue", "service"} & {found.name for found in judge(GOOD).checks}


@pytest.mark.parametrize(
    ("used", "ahead", "stops", "state"),
    [
        (90, 9, False, CLEAR),
        (90, 10, False, CAUTION),
        (100, 0, False, CAUTION),
        (90, 10, True, CAUTION),
        (100, 0, True, HOLD),
    ],
)
def test_service_holds_only_when_it_is_overdue_and_stops_the_machine(used, ahead, stops, state):
    belts = ServiceProgress("belt check", "North", "hours", used, 100, stops=stops)
    found = check("service", vary(services=[belts], hours=ahead))
    assert found.state == state and acts(found, "" if state == CLEAR else "service")
    code = {CLEAR: "no_service_due", CAUTION: "service_due", HOLD: "service_overdue"}[state]
    done = {} if state == CLEAR else {"done": used + ahead, "interval": 100, "service": "belt check"}
    assert says(found, code, **done)


def test_of_several_services_the_stopping_one_is_named():
    belts = ServiceProgress("belt check", "North", "hours", 500, 100)
    filter_ = ServiceProgress("filter change", "North", "hours", 101, 100, stops=True)
    found = check("service", vary(services=[belts, filter_]))
    assert found.state == HOLD and says(found, "service_overdue", service="filter change", others=[])
    alike = check("service", vary(services=[belts, replace(filter_, stops=False)]))
    assert says(alike, "service_due", service="belt check", others=["filter change"])


wetness = st.builds(
    lambda over, share: replace(DRY, over_clear=over, over_hold=over * share),
    st.floats(0, 1),
    st.floats(0, 1),
)


@given(wetness, wetness, st.floats(0, 1000), st.floats(0, 1000), st.floats(0, 500), st.floats(50, 3000))
def test_a_verdict_is_never_better_than_any_of_its_checks(now, printed, low, more, age, hardness):
    inputs = vary(now=now, printed=printed, low_g=low, high_g=low + more, filler="glass fibre", filler_hv=500)
    inputs = vary(inputs, parts=PARTS | {"nozzle": part("nozzle", hardness_hv=hardness, age=age)})
    verdict = judge(inputs)
    worst = max(STATES.index(found.state) for found in verdict.checks)
    assert STATES.index(verdict.state) == worst
    assert all(found.remedy for found in verdict.reasons)
    longer = replace(inputs.toolhead.parts["nozzle"], age=age + 10)
    assert STATES.index(judge(vary(inputs, parts=PARTS | {"nozzle": longer})).state) >= worst


def backs(**values) -> Retractions:
    given = {"count": 900, "length_mm": 720.0, "usual_mm": 0.8, "longest_mm": 1.2, "per_m": 30.0}
    return Retractions(**(given | {"most_over_one": 4} | values))


def test_a_job_that_says_nothing_of_its_retractions_is_not_judged_by_them():
    assert {found.name for found in judge(GOOD).checks}.isdisjoint({"retraction", "diameter"})


@pytest.mark.parametrize(
    ("back", "guided", "state"),
    [
        (backs(), False, CLEAR),
        (backs(most_over_one=10), False, CLEAR),
        (backs(most_over_one=11), False, CAUTION),
        (backs(per_m=200), False, CLEAR),
        (backs(per_m=201), False, CAUTION),
        (backs(usual_mm=2), False, CLEAR),
        (backs(usual_mm=2.1), False, CAUTION),
        (backs(usual_mm=2.1), True, CLEAR),
        (backs(usual_mm=8), True, CLEAR),
        (backs(usual_mm=8.1), True, CAUTION),
    ],
)
def test_retractions(back, guided, state):
    found = check("retraction", vary(retractions=back, guided=guided))
    assert found.state == state and acts(found, "" if state == CLEAR else "change_job")
    over = [
        name
        for name in ("most_over_one", "per_m", "usual_mm")
        if getattr(back, name) != getattr(backs(), name)
    ]
    if state == CLEAR:
        assert says(found, "retractions_usual", count=900, per_m=back.per_m)
    else:
        assert says(found, "retractions_unusual", count=900, over_limit=over, guided=guided)


@pytest.mark.parametrize(("diameter_mm", "state"), [(1.75, CLEAR), (1.7, CLEAR), (1.85, CLEAR), (2.85, HOLD)])
def test_filament_of_another_diameter(diameter_mm, state):
    found = check("diameter", vary(diameter_mm=1.75, filament=Filament(1.14, diameter_mm)))
    assert found.state == state
    code = "same_diameter" if state == CLEAR else "other_diameter"
    assert says(found, code, file_mm=1.75, filament_mm=diameter_mm)


def test_a_small_job_takes_no_more_than_the_spool_surely_holds():
    job = small_job(GOOD.material, 300, 110)
    assert (job.mass_g, job.hours, job.nozzle_c, job.bed_c) == (50, 2, 267.5, 75)
    found = [
        check("quantity", replace(vary(low_g=low, high_g=low + more), job=job))
        for low, more in [(90, 5), (30, 5), (1.5, 0), (1.2, 0.5), (1.2, 0.1)]
    ]
    assert [each.state for each in found] == [CLEAR, CLEAR, CLEAR, CAUTION, HOLD]
    assert [each.statement.values["job_g"] for each in found] == pytest.approx([50, 29.6, 1.1, 1, 1])


NEXT_JOB = JobAhead(1, "lamp", "North T0", "", False, "2026-03-02T07:05", "2026-03-02T09:05", 30.0, 32.0)


def test_the_checks_come_in_one_order():
    full = vary(max_flow_mm3_s=5, diameter_mm=1.75, retractions=backs(), services=[CLEANED], hot_end=CLEANED)
    full = vary(full, parts=PARTS | {"belts": part("belt set")}, jobs=[NEXT_JOB])
    bare = vary(parts={}, polymer="TPU 85A")
    names = {found.name for inputs in (full, bare) for found in judge(inputs).checks}
    assert names == set(ORDER)
    others = [name for name in ORDER if name not in ("nozzle", "feed path")]
    assert [found.name for found in judge(full).checks] == others


def test_soft_filament_wants_a_short_way():
    soft = vary(polymer="TPU 85A")
    assert check("feed path", soft).state == CLEAR
    long = check("feed path", vary(soft, guided=True))
    assert long.state == CAUTION and acts(long, "other_printer", "print_slowly_or_take_short_path")
    assert "feed path" not in [found.name for found in judge(vary(guided=True)).checks]


@pytest.mark.parametrize("name", INPUTS)
def test_inputs_are_the_same_after_they_were_stored_as_json(name):
    full = vary(hot_end=CLEANED, services=[CLEANED], fed=[FedMaterial(2, True, PC)], retractions=backs())
    of = getattr(full, name)
    assert msgspec.json.decode(msgspec.json.encode(of), type=type(of)) == of


def test_checks_are_the_same_after_they_were_stored_as_json():
    back = backs(per_m=300)
    bad = vary(
        now=WET,
        printed=WET,
        hot_end=CLEANED,
        hours=20,
        fed=[FedMaterial(2, True, PC)],
        retractions=back,
        low_g=1,
    )
    checks = [replace(found, spool="K7M-4QX") for found in judge(bad).checks]
    assert decode_checks(json.loads(json.dumps(encode_checks(checks)))) == checks
