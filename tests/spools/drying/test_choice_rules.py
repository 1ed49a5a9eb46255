"""Rules that hold for the choice of a drying, whatever the polymer, room, reel, dryer and error."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchmarks import drying_plans
from benchmarks.drying_cases import load_polymers, make_dryer, make_spool
from benchmarks.drying_plans import Case, find_longer_with_less_error, plan_case
from spools.drying.caps import USUAL_ERROR_K, compute_cap
from spools.drying.drafts import FirstStageReason
from spools.drying.limiting import find_limit
from spools.drying.options import PlanRequest, round_hours
from spools.drying.plan_statements import explain_choice, explain_result, list_notes

RULES = {name: rule for name, rule in drying_plans.RULES.items() if rule is not drying_plans.has_no_plan}
CASES = st.builds(
    Case,
    polymer=st.sampled_from(sorted(load_polymers())),
    room=st.tuples(st.sampled_from([16.0, 21.0, 25.0, 30.0]), st.sampled_from([15.0, 35.0, 50.0, 75.0])),
    reel=st.sampled_from(["strong", "unknown", "abs", "cardboard", "pla"]),
    dryer_c=st.sampled_from([45.0, 62.0, 70.0, 90.0, 120.0, 160.0]),
    error_k=st.sampled_from([0.0, 2.0, 5.0, 7.5, 12.0]),
)


@settings(max_examples=25)
@given(CASES)
def test_no_plan_breaks_a_rule(case):
    planned = plan_case(case)
    assert {name: why for name, rule in RULES.items() if (why := rule(planned))} == {}
    load, draft = planned.load, planned.draft
    sentences = [explain_choice(load, draft), explain_result(load, draft, 0)]
    sentences += list_notes(load, draft, 0, None, PlanRequest())
    assert all(statement.sentence for statement in sentences)


@pytest.mark.parametrize("room", [(21.0, 35.0), (25.0, 50.0)])
@pytest.mark.parametrize("polymer", ["PA6", "PA12", "PVA", "TPU 95A"])
def test_the_choice_needs_no_slower_options(polymer, room):
    case = Case(polymer, room, "strong", 130.0, 5.0)
    chosen, found = plan_case(case).draft, plan_case(case, all_options=False).draft
    assert (found.set_point_c, found.first, found.hours) == (chosen.set_point_c, chosen.first, chosen.hours)


@settings(max_examples=15)
@given(CASES, st.sampled_from([0.0, 1.0, 2.0, 4.0]))
@example(Case("PEI", (23.0, 50.0), "strong", 130.0, 5.0), 0.0)
def test_a_better_known_dryer_never_takes_longer(case, smaller_k):
    better = Case(case.polymer, case.room, case.reel, case.dryer_c, min(smaller_k, case.error_k))
    assert list(find_longer_with_less_error([plan_case(case), plan_case(better)])) == []


def test_a_mix_of_two_set_points_keeps_to_the_heat_budget_and_is_quicker_than_the_cooler_one():
    planned = plan_case(Case("PA6", (28.0, 60.0), "strong", 130.0, 5.0))
    load, draft = planned.load, planned.draft
    assert draft.first_reason is FirstStageReason.HEAT and load.keeps_to_budget(draft)
    alone = {each.set_point_c: each for each in load.drafts if each.first is None}
    assert not load.keeps_to_budget(alone[draft.set_point_c])
    assert draft.total <= 0.9 * alone[draft.first.set_point_c].total
    assert draft.first.set_point_c == draft.set_point_c - 5
    assert find_limit(load, draft).code == "drying.limited_by_heat"
    assert explain_result(load, draft, 0).values["why"]["code"] == "drying.first_for_heat"


def test_where_every_option_is_too_much_heat_the_least_is_planned_with_ways_out():
    planned = plan_case(Case("PA6", (30.0, 90.0), "strong", 130.0, 5.0))
    load, draft = planned.load, planned.draft
    assert explain_choice(load, draft).code == "drying.chosen_least_heat"
    shares = [load.run_shares(each)[0] for each in load.drafts if each.total is not None]
    assert load.run_shares(draft)[0] == min(shares) > 1
    [note] = [note for note in list_notes(load, draft, 0, None, PlanRequest()) if "share" in note.values]
    runs, turns = note.values["runs"], note.values["turns"]
    assert runs["number"] >= 2 and runs["hours"] * runs["number"] >= draft.total
    assert turns is None or turns["hours"] < draft.total


@pytest.mark.parametrize("polymer", sorted(load_polymers()))
def test_the_usual_set_point_is_plannable_with_the_usual_error(polymer):
    values = load_polymers()[polymer]
    cap = compute_cap(make_spool(polymer, core_cap_c=200.0), make_dryer(200.0, USUAL_ERROR_K))
    if values.softening_basis == "Tg wet":
        assert cap.start_hottest_c + USUAL_ERROR_K == values.softening_c
    else:
        assert cap.hottest_c >= values.dry_set_c
    assert cap.hottest_c <= values.dry_cap_c


@given(st.floats(0, 200))
def test_hours_are_rounded_up_to_what_people_say(hours):
    rounded = round_hours(hours)
    assert hours <= rounded + 1e-6 and rounded - hours <= max(0.5, 0.11 * hours)
    assert round_hours(rounded) == rounded
    assert rounded == float(f"{rounded:.2g}")
