"""Several spools in one dryer: one cap for all, the hours of each, who limits and who is done first."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spools.drying import runs as drying_runs
from spools.drying.caps import compute_cap
from spools.drying.gate import require_set_point
from spools.drying.options import GOALS, STRONG, PlanRequest
from spools.drying.plans import plan_drying, plan_together
from spools.drying.runs import DryingSettings
from spools.models import Place
from spools.statements import Statement
from tests.refusals import refuses
from tests.spools.conftest import feedstock, receive
from tests.spools.drying.test_stages import with_code

pytestmark = pytest.mark.django_db

KINDS = ["PLA", "PETG", "PC", "PA6", "PA12", "TPU 95A", "PVA", "BVOH"]


@pytest.fixture
def mixed(shelf, box):
    """A spool of each kind, by kind, from 300 to 1000 g."""
    places = [shelf, box]
    return {
        kind: receive(
            feedstock(kind), places[n % 2], core_material="pc", net_mass_g=300 + 110 * n, sealed=n % 3 > 0
        )
        for n, kind in enumerate(KINDS)
    }


def test_the_lowest_cap_sets_the_common_set_point_and_the_others_may_do_without(mixed, dryer):
    spools = [mixed["PETG"], mixed["PLA"], mixed["PA6"]]
    found = plan_together(spools, dryer)
    assert (found.limiting_spool, found.cap.cap_c, found.set_point_c) == (mixed["PLA"], 50, 45)
    assert found.without_limiting_c == 65
    assert {plan.set_point_c for _, plan in found.plans} == {45}
    # Nylon does not get dry at that.
    assert found.hours is None
    assert {spool for spool, _ in found.early} == {mixed["PETG"], mixed["PLA"]}
    assert [hours for _, hours in found.early] == sorted(hours for _, hours in found.early)
    alone = plan_together([mixed["PETG"], mixed["PLA"]], dryer)
    assert alone.hours == max(plan.hours for _, plan in alone.plans)
    assert len(alone.early) == 1


def test_a_spool_alone_is_planned_as_by_itself_and_nobody_is_left_out(mixed, dryer):
    found = plan_together([mixed["PETG"]], dryer)
    ((_, plan),) = found.plans
    assert plan.option == plan_drying(mixed["PETG"], dryer).option
    assert (found.without_limiting_c, found.early) == (None, [])


def test_who_is_in_the_dryer_already_counts_and_sets_the_pace(mixed, dryer):
    drying_runs.start_drying([mixed["PLA"]], dryer, DryingSettings(44))
    found = plan_together([mixed["PETG"], mixed["PA12"]], dryer)
    assert (found.limiting_spool, found.set_point_c, found.without_limiting_c) == (mixed["PLA"], 44, None)
    with refuses("other_set_point", "set_point_c", names=["44 °C"]):
        plan_together([mixed["PETG"]], dryer, PlanRequest(set_point_c=40))


def test_a_polymer_that_water_softens_gives_all_of_them_a_first_stage(mixed, shelf, box):
    exact = Place.objects.create(
        name="Exact", kind="dryer", max_set_point_c=90, room=shelf, set_point_error_c=0
    )
    pva = with_code(receive(feedstock("PVA", colour="dry"), box, net_mass_g=300, card="dry"), "JGFNKH")
    found = plan_together([mixed["PETG"], pva], exact, PlanRequest(set_point_c=55))
    assert found.first is not None and found.first.set_point_c == 41
    assert {plan.first for _, plan in found.plans} == {found.first}
    runs = drying_runs.start_drying(
        [mixed["PETG"], pva],
        exact,
        DryingSettings(
            55,
            first_set_point_c=41,
            first_hours=found.first.hours,
            target_pct={spool.pk: plan.target_pct for spool, plan in found.plans},
        ),
    )
    assert {(run.temperatures, run.start_cap_c, run.cap_c) for run in runs} == {
        (f"41 °C for {found.first.hours:.3g} h, then 55 °C", 41, 60)
    }
    assert {run.target_pct for run in runs} == {0.2, 3.0}


def test_strong_parts_take_longer_or_more_than_warm_air_can(mixed, shelf, dryer):
    well, strong = (plan_drying(mixed["TPU 95A"], dryer, PlanRequest(goal=goal)) for goal in GOALS)
    assert (well.target_pct, strong.target_pct) == (0.2, 0.03)
    assert strong.hours is None or strong.hours > well.hours
    assert Statement("drying.strong_limit", {"floor_pct": strong.floor_pct}) in strong.notes
    with refuses("no_strong_limit"):
        plan_drying(mixed["PVA"], dryer, PlanRequest(goal=STRONG))
    with refuses("goal_or_target"):
        plan_drying(mixed["PETG"], dryer, PlanRequest(goal=STRONG, target_pct=0.1))
    with refuses("unknown_goal"):
        plan_drying(mixed["PETG"], dryer, PlanRequest(goal="best"))


@settings(max_examples=6)
@given(
    st.sets(st.sampled_from(KINDS), min_size=1, max_size=2),
    st.sampled_from([0.0, 3.0, 5.0, 12.0]),
    st.sampled_from([45.0, 62.0, 90.0]),
    st.sampled_from([None, 50.0]),
)
def test_no_plan_passes_a_cap_and_none_starts_hotter_than_what_is_wet_may_be(
    mixed, dryer, kinds, error_k, hottest_c, mass_g
):
    dryer.set_point_error_c, dryer.max_set_point_c = error_k, hottest_c
    spools = [mixed[kind] for kind in sorted(kinds)]
    found = plan_together(spools, dryer, PlanRequest(mass_g=mass_g))
    caps = [compute_cap(spool, dryer, spools) for spool in spools]
    least_c, start_c = min(cap.hottest_c for cap in caps), min(cap.start_hottest_c for cap in caps)
    for option in found.options:
        assert option.set_point_c <= least_c
        if option.first is not None:
            assert option.first.set_point_c <= start_c
            assert option.first.set_point_c < option.set_point_c
        elif option.hours:
            assert option.set_point_c <= start_c
    # What is planned passes the gate as it stands.
    require_set_point(spools, dryer, found.set_point_c, first=found.first)
