"""Drying in two stages: who starts cooler, what the gate demands, what the dryer can do at once."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from spools.air.climate import climate_at, record_readings
from spools.drying import runs as drying_runs
from spools.drying import softening
from spools.drying.caps import compute_cap
from spools.drying.gate import FirstStage
from spools.drying.options import PlanRequest
from spools.drying.plans import plan_drying
from spools.drying.runs import DryingSettings
from spools.models import DryingRun, Place
from spools.moisture import cache as moisture_cache
from spools.moisture import history_queries
from spools.moisture import state as moisture_state
from spools.wording import format_time
from tests.refusals import refuses
from tests.spools.conftest import feedstock, hours_ago, receive

pytestmark = pytest.mark.django_db


@pytest.fixture
def pva(box):
    """Half a kilogram of PVA from a bag whose card was not looked at, kept in the dry box."""
    return with_code(receive(feedstock("PVA"), box, net_mass_g=500), "JGFNKH")


def with_code(spool, code: str):
    """A spool whose code, and with it what is thought possible of it, is the same in every run."""
    spool.code = code
    spool.save(update_fields=["code"])
    return spool


@pytest.fixture
def exact(shelf) -> Place:
    """A dryer whose set point is right, in dry room air."""
    record_readings(shelf, [(hours_ago(n), 22, 30) for n in (0, 3)], origin="hand")
    return Place.objects.create(
        name="Exact", kind="dryer", max_set_point_c=90, room=shelf, set_point_error_c=0
    )


# fixtures/reference/README.md: first stage at most 45 °C, then 60 °C; thermal_values.csv: 45 then 55, 8-12 h.
def test_pva_starts_below_its_wet_transition_and_goes_hotter_once_it_has_lost_water(pva, exact):
    cap = compute_cap(pva, exact)
    assert (cap.start_c, cap.cap_c, cap.two_stages) == (41, 60, True)
    assert (cap.start_part.code, cap.start_reason.values["limit_c"]) == ("cap.wet", 41)
    plan = plan_drying(pva, exact, PlanRequest(set_point_c=55, target_pct=1))
    assert plan.first is not None and plan.first.set_point_c == 41
    assert 2 <= plan.first.hours <= 24
    assert plan.stages == [tuple(plan.first), (55, plan.hours - plan.first.hours)]
    assert plan.reason.values["why"]["code"] == "drying.first_while_soft"
    gentler = plan_drying(pva, exact, PlanRequest(set_point_c=50, target_pct=1))
    assert gentler.first.hours <= plan.first.hours
    assert 8 <= plan.hours <= 30


def test_with_the_dryers_error_both_stages_stay_below_their_caps(pva, dryer):
    for option in plan_drying(pva, dryer).options:
        assert option.set_point_c + dryer.set_point_error_c <= 60
        if option.first is not None:
            assert option.first.set_point_c + dryer.set_point_error_c <= 41
        elif option.hours is not None:
            assert option.set_point_c + dryer.set_point_error_c <= 41


# README.md: water lowers the transition by about 34 K; catalogue: 75 °C dry, 41 °C wet, 4 % at 50 % RH.
def test_how_dry_pva_must_be_lies_between_its_two_transitions(pva):
    assert softening.hard_up_to_pct(pva, 75) == pytest.approx(0, abs=1e-9)
    assert softening.hard_up_to_pct(pva, 41) == pytest.approx(4)
    assert 1.3 < softening.hard_up_to_pct(pva, 60) < 4 * 15 / 34


def test_after_the_planned_first_stage_the_wettest_turns_stand_the_second(pva, exact):
    plan = plan_drying(pva, exact, PlanRequest(set_point_c=55))
    room = climate_at(exact)
    rh_pct = drying_air(room, 41)
    after = moisture_state.moisture_now(pva).ahead(plan.first.hours, 41, rh_pct, moving_air=True)
    wettest = 100 * after.winding.state.profile().max(-1)
    assert (wettest > softening.hard_up_to_pct(pva, 55)).mean() <= 0.2


def drying_air(room, celsius: float) -> float:
    from spools.air.climate import heated_rh_pct

    return heated_rh_pct(room.temperature_c, room.rh_pct, celsius)


def test_hotter_than_the_start_may_be_needs_a_first_stage_that_is_long_enough(pva, exact):
    needed = plan_drying(pva, exact, PlanRequest(set_point_c=55)).first.hours
    half, alone = f"{needed / 2:.3g} h", {"planned_hours": needed}
    for first_c, first_hours, more, field, code, names in (
        (None, None, {}, "set_point_c", "above_start_cap", ["55 °C", "41 °C", "PVA"]),
        (50, needed, {}, "first_set_point_c", "above_start_cap", ["50 °C", "41 °C"]),
        (41, needed / 2, {}, "first_hours", "first_stage_too_short", ["55 °C", half]),
        (55, needed, {}, "first_set_point_c", "first_stage_hotter", ["55 °C"]),
        (41, None, {}, "first_hours", "first_stage_incomplete", []),
        (None, needed, {}, "first_set_point_c", "first_stage_incomplete", []),
        (float("nan"), needed, {}, "first_set_point_c", "out_of_range", []),
        (41, float("inf"), {}, "first_hours", "out_of_range", []),
        (41, needed, alone, "planned_hours", "first_stage_longer", [f"{needed:g} h"]),
    ):
        with refuses(code, field, names=names):
            drying_runs.start_drying(
                [pva],
                exact,
                DryingSettings(55, first_set_point_c=first_c, first_hours=first_hours, **more),
            )
    with refuses("above_cap", "set_point_c", names=["61 °C", "60 °C", "PVA"]):
        drying_runs.start_drying([pva], exact, DryingSettings(61, first_set_point_c=41, first_hours=needed))
    assert not DryingRun.objects.exists()
    (run,) = drying_runs.start_drying(
        [pva], exact, DryingSettings(55, first_set_point_c=41, first_hours=needed)
    )
    assert (run.start_cap_c, run.cap_c, run.first_hours) == (41, 60, needed)
    assert run.planned_hours > needed


def test_one_that_is_too_wet_for_two_stages_is_refused_with_the_remedy(shelf, dryer):
    wet = with_code(receive(feedstock("PVA"), shelf, sealed=False), "JGFNKH")
    plan = plan_drying(wet, dryer, PlanRequest(set_point_c=55))
    assert (plan.first, plan.hours) == (None, None)
    assert plan.reason.code == "drying.never_hard_enough"
    with refuses("too_soft", "first_hours", names=["55 °C", "36 °C"]):
        drying_runs.start_drying([wet], dryer, DryingSettings(55, first_set_point_c=36, first_hours=400))
    (run,) = drying_runs.start_drying([wet], dryer, DryingSettings(36))
    assert (run.first_hours, run.cap_c, run.start_cap_c) == (None, 36, 36)


def test_a_data_sheets_softening_point_bounds_both_stages(shelf, exact):
    soft = receive(feedstock("PVA", softening_c=38, colour="soft"), shelf)
    assert (compute_cap(soft, exact).start_c, compute_cap(soft, exact).cap_c) == (38, 38)
    hard = receive(feedstock("PVA", softening_c=52, colour="hard"), shelf)
    assert (compute_cap(hard, exact).start_c, compute_cap(hard, exact).cap_c) == (41, 52)


# README.md: a spool judged wet: amorphous ones start 10 K lower for 2 h.
def test_a_wet_amorphous_spool_starts_cooler_and_a_drier_one_does_not(shelf, box, dryer):
    wet = receive(feedstock("PC"), shelf, core_material="pc", sealed=False)
    plan = plan_drying(wet, dryer)
    assert plan.first == FirstStage(plan.set_point_c - 10, 2)
    assert plan.reason.values["why"]["code"] == "drying.first_while_wet"
    assert plan_drying(receive(feedstock("PETG"), box), dryer).first is None
    assert plan_drying(receive(feedstock("PA12"), shelf, sealed=False), dryer).first is None
    # It is advice and no cap: the gate takes a run without it.
    drying_runs.start_drying([wet], dryer, DryingSettings(plan.set_point_c))


def test_the_surroundings_change_with_the_stage(pva, exact):
    needed = plan_drying(pva, exact, PlanRequest(set_point_c=55), at=hours_ago(40)).first.hours
    (run,) = drying_runs.start_drying(
        [pva],
        exact,
        DryingSettings(55, first_set_point_c=41, first_hours=needed, planned_hours=38),
        at=hours_ago(40),
    )
    drying_runs.finish_drying(run, place=Place.objects.get(name="Dry box"), at=hours_ago(2))
    run.refresh_from_db()
    (past,) = history_queries.load([pva.pk], timezone.now(), lambda one: one.spool.received_at).values()
    inside = [s for s in past.segments(pva.received_at, timezone.now()) if s.place == exact]
    assert {s.air.temperature_c for s in inside if s.end <= run.change_at} == {41}
    assert {s.air.temperature_c for s in inside if s.start >= run.change_at} == {55}
    assert run.change_at in {s.end for s in inside}
    assert climate_at(exact, run.change_at - timedelta(minutes=1)).temperature_c == 41
    assert climate_at(exact, run.change_at).temperature_c == 55
    assert run.stages_until(run.end) == [(41, needed), (55, pytest.approx(38 - needed))]
    assert run.stages_until(run.start + timedelta(hours=1)) == [(41, 1)]
    assert moisture_cache.rebuild([pva]) == moisture_cache.rebuild([pva]) == []
    why = {reason.code: reason.values for reason in moisture_state.moisture_now(pva).why}
    (first_c, first_hours), (last_c, _) = why["moisture_reason.last_dried"]["stages"]
    assert (first_c, first_hours, last_c) == (41, pytest.approx(needed), 55)


def test_a_stage_below_the_usual_set_point_resets_no_exposure(shelf, box, dryer, exact):
    spool = receive(feedstock("PC"), shelf, core_material="pc", core_cap_c=115, sealed=False)
    (run,) = drying_runs.start_drying(
        [spool],
        dryer,
        DryingSettings(90, first_set_point_c=80, first_hours=9, planned_hours=12),
        at=hours_ago(11),
    )
    drying_runs.finish_drying(run, place=box, at=hours_ago(1))
    # PC is usually dried 4 h at 105 °C, which this dryer does not reach: nothing counts.
    assert moisture_state.moisture_now(spool).exposure_hours > 200
    warm = receive(feedstock("PETG"), shelf, sealed=False)
    (run,) = drying_runs.start_drying(
        [warm],
        exact,
        DryingSettings(60, first_set_point_c=50, first_hours=2, planned_hours=8),
        at=hours_ago(9),
    )
    drying_runs.finish_drying(run, place=box, at=hours_ago(4))
    # 3 of the usual 6 h were at 60 °C.
    assert moisture_state.moisture_now(warm).exposure_hours == pytest.approx(231 / 2 + 4, abs=0.2)


def test_a_dryer_in_its_first_stage_is_joined_in_both(pva, exact, shelf, pla):
    needed = plan_drying(pva, exact, PlanRequest(set_point_c=55)).first.hours
    (run,) = drying_runs.start_drying(
        [pva], exact, DryingSettings(55, first_set_point_c=41, first_hours=needed), at=hours_ago(1)
    )
    petg = receive(feedstock("PETG"), shelf)
    for set_point_c in (41, 55, 50):
        with refuses("other_stages", "set_point_c", names=["41", "55 °C", format_time(run.change_at)]):
            drying_runs.start_drying([petg], exact, DryingSettings(set_point_c))
    with refuses("above_cap", "set_point_c", names=["50 °C", "PLA"]):
        drying_runs.start_drying(
            [receive(pla, shelf)], exact, DryingSettings(55, first_set_point_c=41, first_hours=2)
        )
    exact.spool_capacity = 2
    joined = plan_drying(petg, exact)
    assert joined.first == FirstStage(41, pytest.approx(needed - 1, abs=0.02))
    (other,) = drying_runs.start_drying(
        [petg], exact, DryingSettings(55, first_set_point_c=41, first_hours=99)
    )
    assert other.change_at == run.change_at
    late = receive(feedstock("PVA", colour="late"), shelf, sealed=False)
    with refuses("too_soft", "first_hours", names=["55 °C"]):
        drying_runs.start_drying([late], exact, DryingSettings(55, first_set_point_c=41, first_hours=99))


def test_a_dryer_in_its_second_stage_or_in_one_stage_is_joined_in_one(pva, exact, shelf):
    needed = plan_drying(pva, exact, PlanRequest(set_point_c=50), at=hours_ago(60)).first.hours
    (run,) = drying_runs.start_drying(
        [pva],
        exact,
        DryingSettings(50, first_set_point_c=41, first_hours=needed, planned_hours=80),
        at=hours_ago(60),
    )
    assert run.change_at < timezone.now()
    petg = receive(feedstock("PETG"), shelf)
    with refuses("one_stage_only", "set_point_c", names=["50 °C", format_time(run.change_at)]):
        drying_runs.start_drying([petg], exact, DryingSettings(50, first_set_point_c=41, first_hours=3))
    late = receive(feedstock("BVOH"), shelf)
    with refuses("above_start_cap", "set_point_c", names=["50 °C", "41 °C"]):
        drying_runs.start_drying([late], exact, DryingSettings(50))
    exact.spool_capacity = 2
    assert plan_drying(petg, exact).stages[0][0] == 50
    drying_runs.start_drying([petg], exact, DryingSettings(50))


def test_the_database_holds_the_caps_of_both_stages(pva, exact):
    right = {"set_point_c": 55, "cap_c": 60, "start_cap_c": 45, "first_set_point_c": 45, "first_hours": 8}
    for wrong in (
        {"first_set_point_c": None, "first_hours": None},
        {"first_set_point_c": 46},
        {"set_point_c": 61},
        {"first_hours": None},
        {"first_set_point_c": None},
        {"first_hours": 0},
        {"first_hours": 12},
        {"set_point_c": 45},
    ):
        with pytest.raises(IntegrityError), transaction.atomic():
            a_run(pva, exact, **right | wrong)
    assert a_run(pva, exact, **right).pk


def a_run(spool, dryer, **values) -> DryingRun:
    return DryingRun.objects.create(
        spool=spool, dryer=dryer, planned_hours=12, target_pct=1, start=hours_ago(5), **values
    )
