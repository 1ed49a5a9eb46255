"""The drying plan of the week on small shops, each plan simulated anew by code that does not know the heuristic."""

from datetime import datetime, time, timedelta

import pytest
from django.db import transaction
from django.utils import timezone
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from background.running import run_due
from spools.air.climate import record_readings
from spools.drying import runs as drying_runs
from spools.drying.caps import suggested_set_point_c
from spools.drying.gate import FirstStage, require_set_point
from spools.drying.options import IN_HAND_H, PlanRequest, next_quarter
from spools.drying.plans import plan_drying
from spools.drying.runs import DryingSettings
from spools.drying.week.changes import cancel_drying, move_drying, pin_drying
from spools.drying.week.plans import (
    accept_plan,
    accepted_plan,
    compute_plan,
    create_plan,
    proposal,
    reject_plan,
    store_plan,
)
from spools.drying.week.problem import build_problem
from spools.drying.week.report import PrintReport, report_prints
from spools.drying.week.requests import add_print_request
from spools.drying.week.single import compute_single_drying
from spools.drying.week.slots import SLOT, SLOTS_H, StaffedHours
from spools.drying.week.verify import find_violations
from spools.inventory.endings import end_spool
from spools.inventory.moves import move_spool
from spools.models import Place, PlannedDrying, Polymer, PrintRequest, WeekPlan
from spools.statements import Statement
from tests.refusals import refuses
from tests.restored import built_once
from tests.spools.conftest import feedstock, hours_ago, polymer, receive
from tests.spools.drying.test_stages import with_code

pytestmark = pytest.mark.django_db

ALWAYS = StaffedHours(time(0), time(23, 59))


def in_hours(hours: float):
    return timezone.now() + timedelta(hours=hours)


def planned(hours: StaffedHours = ALWAYS) -> WeekPlan:
    """A plan for what is on the list, worked out and stored."""
    plan = create_plan(hours)
    return store_plan(plan, compute_plan(plan))


def accepted(**options) -> WeekPlan:
    return accept_plan(planned(**options))


def violation_codes(plan: WeekPlan, now: datetime | None = None) -> set[str]:
    return {violation.reason.code.removeprefix("violation.") for violation in find_violations(plan, now)}


def reports_by_name(plan: WeekPlan) -> dict[str, PrintReport]:
    """The reports of the prints, by name."""
    return {report.planned.request.name: report for report in report_prints(plan, list(plan.standing()))}


@built_once
def wet(shelf, box):
    """Wet spools by kind, all on reels that take the heat; there is a dry box to keep them in."""
    kinds = {"PA6": 500, "PC": 900, "PETG": 800, "ABS": 750, "TPU 95A": 600}
    return {
        kind: receive(feedstock(kind), shelf, core_material="pc", net_mass_g=mass_g, sealed=False)
        for kind, mass_g in kinds.items()
    }


def want(kind: str, mass_g: float, hours: float, **options) -> PrintRequest:
    return add_print_request(
        Polymer.objects.get(name=kind), mass_g, in_hours(hours), **({"name": kind} | options)
    )


def test_a_plan_has_everything_good_in_time_and_holds_when_it_is_simulated(wet, dryer):
    for kind, hours in (("PC", 30), ("TPU 95A", 48), ("PA6", 100)):
        want(kind, 100, hours)
    plan = planned()
    assert {name: report.state for name, report in reports_by_name(plan).items()} == dict.fromkeys(
        ["PC", "TPU 95A", "PA6"], "in time"
    )
    assert {drying.spool for drying in plan.standing()} == {wet["PC"], wet["TPU 95A"], wet["PA6"]}
    assert find_violations(plan) == []


def test_a_plan_dries_each_spool_as_the_advisor_would(wet, dryer):
    for kind in wet:
        want(kind, 100, 160)
    plan = planned()
    assert {drying.spool for drying in plan.standing()} == {wet[kind] for kind in wet if kind != "ABS"}
    for drying in plan.standing():
        advised = plan_drying(drying.spool, dryer, PlanRequest(mass_g=drying.mass_g))
        assert drying.set_point_c == advised.set_point_c, drying
        assert drying.first_set_point_c == (advised.first and advised.first.set_point_c), drying
        # The spool takes up water until it goes in, and is taken out when somebody is there.
        assert advised.hours <= drying.hours <= 1.2 * advised.hours + 1, drying


def test_a_worker_computes_the_last_plan_and_none_that_was_replaced(wet, dryer):
    want("PETG", 100, 90)
    first, second = create_plan(ALWAYS), create_plan(ALWAYS)
    run_due("moisture")
    first.refresh_from_db()
    second.refresh_from_db()
    assert (first.made_at, first.prints.count()) == (None, 0)
    assert second.made_at is not None and second.prints.count() == 1


@pytest.mark.parametrize("minutes_old", [10, 170])
def test_whenever_a_drying_begins_it_is_planned_long_enough(shelf, box, dryer, minutes_old):
    """Damp air is read, and drier air assumed once that is old: the drying takes longest in between."""
    spool = receive(feedstock("TPU 95A"), box, core_material="pc", net_mass_g=600, sealed=False)
    move_spool(spool, shelf, at=hours_ago(0.5))
    readings = [(hours_ago(n + minutes_old / 60), 24, 65) for n in range(30)]
    record_readings(shelf, readings, origin="hand")
    shelf.assumed_rh_pct = 25
    shelf.save()
    problem = build_problem([want("TPU 95A", 100, 60)], ALWAYS)
    (supply,) = problem.week.supplies
    option = max(supply.options, key=lambda option: option.mode.set_point_c)
    mass_g = problem.details[supply.spool, option.dryer, option.mode].mass_g
    needed_h = []
    for slot in range(9 * SLOTS_H):
        _, hours = compute_single_drying(
            spool, problem.dryers[dryer.pk], problem.at(slot), option.mode.set_point_c, mass_g
        )
        needed_h.append(hours)
        takes = option.takes[problem.week.part_of(slot)]
        assert takes is not None and takes / SLOTS_H >= needed_h[-1], slot
    assert max(needed_h) > max(needed_h[0], needed_h[-1]) + IN_HAND_H


def test_a_spool_that_stays_good_is_not_dried(shelf, box, dryer, pla):
    receive(pla, box, core_material="pc", card="dry", at=hours_ago(2))
    want("PLA", 100, 60)
    plan = planned()
    assert not plan.standing().exists()
    assert (reports_by_name(plan)["PLA"].state, reports_by_name(plan)["PLA"].good_at) == ("in time", None)
    assert find_violations(plan) == []


def test_alike_set_points_share_a_dryer_and_smells_are_separated(shelf, box):
    Place.objects.filter(pk=shelf.pk).update(assumed_rh_pct=85)
    Place.objects.create(
        name="Large", kind="dryer", max_set_point_c=90, room=shelf, spool_capacity=4, set_point_error_c=3
    )
    for kind in ("ABS", "PC", "PETG"):
        receive(feedstock(kind), shelf, core_material="pc", net_mass_g=500, sealed=False)
        want(kind, 100, 60)
    plan = planned()
    assert find_violations(plan) == []
    rows = {drying.spool.feedstock.polymer.name: drying for drying in plan.standing()}
    for kind in rows.keys() - {"ABS"}:
        assert rows[kind].end <= rows["ABS"].start or rows["ABS"].end <= rows[kind].start
    drying, other = (PlannedDrying.objects.get(pk=rows[kind].pk) for kind in ("ABS", "PC"))
    other.start, other.end, other.set_point_c = drying.start, drying.end, drying.set_point_c
    other.first_set_point_c = other.first_hours = None
    other.save()
    assert "takes_smell" in violation_codes(plan)


def code_of(report) -> str | None:
    return report.planned.reason and report.planned.reason.code


def test_one_spool_serves_several_prints_and_grams_are_not_spent_twice(wet, dryer):
    for hours in (40, 50, 60):
        want("PA6", 200, hours, name=f"after {hours} h")
    plan = planned()
    assert plan.standing().get().spool == wet["PA6"]
    states = [report.state for report in reports_by_name(plan).values()]
    assert sorted(states) == ["in time", "in time", "missing"]
    codes = [code_of(report) for report in reports_by_name(plan).values()]
    assert sorted(filter(None, codes)) == ["week.used_up"]


def test_nobody_has_to_come_at_night(wet, dryer):
    hours = StaffedHours(time(8), time(17))
    for kind in ("PC", "TPU 95A", "PETG"):
        want(kind, 100, 120)
    plan = planned(hours)
    times = [at for drying in plan.standing() for at in (drying.start, drying.end)]
    assert len(times) == 6 and all(hours.at(at) for at in times)
    assert find_violations(plan) == []


def test_an_impossible_print_has_a_reason_and_the_rest_is_planned(wet, shelf, dryer):
    want("PC", 50, 60)
    want("PA6", 100, 1, name="soon")
    want("PA6", 5000, 50, name="much")
    polymer("PA66")
    want("PA66", 100, 50)
    receive(feedstock("PEI"), shelf, core_material="pla", net_mass_g=500, sealed=False)
    want("PEI", 100, 60)
    plan = planned()
    rows = reports_by_name(plan)
    assert rows["PC"].state == "in time"
    assert rows["soon"].state == "late"
    assert code_of(rows["soon"]) == "week.earliest"
    much, missing = rows["much"].planned.reason, rows["PA66"].planned.reason
    assert (much.code, much.values["mass_g"]) == ("week.amount_too_small", 5000)
    assert missing == Statement("week.no_spool", {"material": "PA66"})
    [lacking] = rows["PEI"].planned.reason.values["lacking"]
    assert lacking["code"] == "week.out_of_reach"
    assert lacking["values"]["cap"]["values"]["part"]["values"] == {"material": "pla"}
    assert find_violations(plan) == []


def test_the_earliest_that_could_be_is_not_later_than_what_is_planned(wet, dryer):
    """A print that is due between two slots, sooner than anything can be dry."""
    due_at = next_quarter(in_hours(1)) + timedelta(minutes=7)
    add_print_request(Polymer.objects.get(name="PA6"), 100, due_at, name="soon")
    soon = reports_by_name(planned())["soon"]
    assert soon.reasons == [Statement("week.earliest", {"good_at": soon.good_at.isoformat()})]


def test_too_few_hours_make_the_fewest_prints_late_with_a_reason(wet, dryer):
    for kind in ("PC", "PETG", "TPU 95A"):
        want(kind, 100, 14)
    rows = reports_by_name(planned())
    late = [report for report in rows.values() if report.state == "late"]
    assert late and len(late) < 3
    assert {code_of(report) for report in late} == {"week.too_few_hours"}


def test_without_a_dryer_or_a_list_there_is_no_plan(wet):
    with refuses("no_request"):
        create_plan()
    want("PA6", 100, 50)
    assert code_of(reports_by_name(planned())["PA6"]) == "week.no_dryer"
    with refuses("no_staffed_hours"):
        create_plan(StaffedHours(time(9), time(9)))


@pytest.mark.parametrize("hours", [-1, 24 * 8])
def test_a_print_is_due_within_a_week(wet, hours):
    with refuses("too_far_ahead", "due_at"):
        want("PA6", 100, hours)
    with refuses("out_of_range"):
        want("PA6", float("nan"), 50)


def test_runs_that_go_on_are_waited_for_and_joined(wet, shelf, box):
    large = Place.objects.create(name="Large", kind="dryer", max_set_point_c=90, room=shelf, spool_capacity=2)
    drying_runs.start_drying([wet["PETG"]], large, DryingSettings(60, planned_hours=8), at=hours_ago(1))
    drying_runs.start_drying([wet["PC"]], large, DryingSettings(60, planned_hours=1.5), at=hours_ago(1))
    Place.objects.filter(pk=large.pk).update(spool_capacity=3)
    want("TPU 95A", 100, 30)
    want("PETG", 100, 40)
    plan = planned()
    rows = reports_by_name(plan)
    assert {report.state for report in rows.values()} == {"in time"}
    assert rows["PETG"].good_at >= timezone.now() + timedelta(hours=6)
    assert plan.standing().get().spool == wet["TPU 95A"]
    # One of the runs ends before its spool is dry, and a note says so.
    left_in = [note.values for note in plan.notes if note.code == "week.leave_in"]
    assert (wet["PC"].code, "Large") in [(values["spool"], values["dryer"]) for values in left_in]
    assert find_violations(plan) == []


def test_a_polymer_that_water_softens_is_planned_in_two_stages(shelf, box):
    dryer = Place.objects.create(
        name="Exact", kind="dryer", max_set_point_c=90, room=shelf, set_point_error_c=0
    )
    shelf.assumed_rh_pct = 40
    shelf.save()
    # At its first stage this air never gets it dry enough.
    fine = feedstock("PVA", limit_clear_pct=1, limit_hold_pct=2)
    spool = with_code(receive(fine, shelf, core_material="pc", net_mass_g=100, sealed=False), "JGFNKH")
    want("PVA", 50, 150)
    plan = planned()
    drying = plan.standing().get()
    assert drying.first_hours is not None and drying.first_set_point_c <= 41 < drying.set_point_c
    assert find_violations(plan) == []
    # The gate of drying runs has the last word, and lets it pass.
    require_set_point([spool], dryer, drying.set_point_c, first=_first(drying))


def _first(drying: PlannedDrying) -> FirstStage:
    return FirstStage(drying.first_set_point_c, drying.first_hours)


# Accepting and changing


def test_accepting_records_person_and_time_and_ends_the_plan_before(wet, dryer, django_user_model):
    ada = django_user_model.objects.create_user("ada", role="set_up")
    want("PC", 100, 50)
    first = accept_plan(planned(), by=ada)
    assert (first.accepted_by, accepted_plan(), proposal()) == (ada, first, None)
    second = planned()
    assert (accepted_plan(), proposal()) == (first, second)
    accept_plan(second)
    first.refresh_from_db()
    assert first.ended_at is not None and first.accepted_by == ada
    for plan, code in ((second, "accepted_already"), (first, "superseded")):
        with refuses(code):
            accept_plan(plan)
    waiting = create_plan()
    with refuses("still_calculating"):
        accept_plan(waiting)
    reject_plan(waiting)
    for ended in (waiting, first):
        with refuses("ended_already"):
            reject_plan(ended)
    assert accepted_plan() == second
    assert store_plan(waiting, compute_plan(waiting)).made_at is None


def test_starting_a_drying_ties_the_run_to_the_plan(wet, dryer):
    want("PC", 100, 50)
    plan = accepted()
    drying = plan.standing().get()
    (run,) = drying_runs.start_drying(
        [drying.spool], dryer, DryingSettings(drying.set_point_c, planned_hours=drying.hours)
    )
    drying.refresh_from_db()
    assert drying.run == run
    assert find_violations(plan) == []
    for change in (cancel_drying, pin_drying):
        with refuses("begun"):
            change(drying)


def test_a_run_that_began_otherwise_than_planned_counts_as_it_is(wet, dryer):
    want("PC", 100, 50)
    plan = accepted()
    drying = plan.standing().get()
    (run,) = drying_runs.start_drying(
        [drying.spool], dryer, DryingSettings(drying.set_point_c, planned_hours=drying.hours + 60)
    )
    report = reports_by_name(plan)["PC"]
    assert (report.good_at, report.state) == (run.planned_end, "late")
    assert find_violations(plan) == []


def test_a_moved_drying_is_pinned_and_stays_when_it_is_planned_again(wet, dryer, shelf):
    want("PC", 100, 20)
    want("TPU 95A", 100, 90)
    plan = accepted()
    drying = plan.standing().get(spool=wet["PC"])
    second = Place.objects.create(name="Second", kind="dryer", max_set_point_c=120, room=shelf)
    new, consequences = move_drying(drying, dryer=second, start=in_hours(30))
    assert (new.pinned, new.dryer, new.start) == (True, second, next_quarter(new.start))
    late = reports_by_name(plan)["PC"]
    assert late.state == "late"
    assert any(found.code == "week.late" and found.values["late_h"] == late.late_h for found in consequences)
    again = accept_plan(planned())
    stored = again.standing().get(spool=wet["PC"])
    assert (stored.start, stored.end, stored.dryer, stored.pinned) == (new.start, new.end, second, True)
    assert reports_by_name(again)["PC"].state == "late" and find_violations(again) == []
    pin_drying(stored, False)
    assert reports_by_name(planned())["PC"].state == "in time"


def test_moves_that_cannot_be_are_refused_and_change_nothing(wet, dryer, shelf):
    want("PC", 100, 60)
    want("PA6", 100, 60)
    plan = accepted()
    drying, other = plan.standing().get(spool=wet["PC"]), plan.standing().get(spool=wet["PA6"])
    cool = Place.objects.create(name="Cool", kind="dryer", max_set_point_c=50, room=shelf)
    refusals = [
        ({"dryer": dryer, "start": other.start}, "impossible_start", "start"),
        ({"dryer": dryer, "start": in_hours(-3)}, "too_far_ahead", "start"),
        ({"dryer": dryer, "start": in_hours(24 * 9)}, "too_far_ahead", "start"),
        ({"dryer": cool, "start": in_hours(2)}, "above_cap", "set_point_c"),
        ({"dryer": dryer, "start": in_hours(20), "set_point_c": 200}, "above_cap", "set_point_c"),
        ({"dryer": dryer, "start": in_hours(20), "set_point_c": 25}, "not_dry_enough", "set_point_c"),
        ({"dryer": shelf, "start": in_hours(2)}, "not_a_dryer", "dryer"),
    ]
    for given_, code, field in refusals:
        with refuses(code, field):
            move_drying(drying, **given_)
    assert set(plan.standing()) == {drying, other}
    cancel_drying(drying)
    assert reports_by_name(plan)["PC"].state == "missing"
    with refuses("not_planned"):
        move_drying(drying, dryer=dryer, start=in_hours(20))


def test_a_plan_reports_its_violations(wet, dryer):
    want("PC", 100, 60)
    want("PA6", 100, 70)
    plan = accepted()
    assert find_violations(plan) == []
    later = max(drying.start for drying in plan.standing()) + timedelta(hours=1)
    assert "begun_late" in violation_codes(plan, later)
    end_spool(wet["PC"])
    assert "spool_ended" in violation_codes(plan)
    other = receive(feedstock("PA12"), dryer.room, core_material="pc")
    drying_runs.start_drying([other], dryer, DryingSettings(40, planned_hours=300))
    assert {"two_set_points", "dryer_full"} <= violation_codes(plan)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"set_point_c": 130.0}, "above_cap"),
        ({"end_after_h": 1}, "not_dry_enough"),
        ({"start_h": -5}, "begun_late"),
        ({"due_h": 160}, "over_print_limit"),
    ],
)
def test_the_check_of_plans_detects_violations(wet, dryer, shelf, change, code):
    """Each kind of slip, put into a plan that holds."""
    Place.objects.filter(kind="dry_box").update(assumed_rh_pct=75)
    request = want("TPU 95A", 100, 30)
    plan = planned()
    drying = plan.standing().get()
    assert find_violations(plan) == []
    if "start_h" in change:
        drying.start = in_hours(change["start_h"])
    if "end_after_h" in change:
        drying.end = drying.start + timedelta(hours=change["end_after_h"])
    if "due_h" in change:
        request.due_at = in_hours(change["due_h"])
        request.save()
    drying.set_point_c = change.get("set_point_c", drying.set_point_c)
    drying.save()
    assert code in violation_codes(plan)
    (print_of,) = report_prints(plan, list(plan.standing()), find_violations(plan))
    assert print_of.state == "in doubt"
    assert print_of.reasons[-1] == Statement("week.drying_broken")


KINDS = ["PLA", "PETG", "PC", "PA6", "PA12", "TPU 95A", "ABS", "PVA", "PMMA"]


def test_a_run_that_outlasts_the_reading_of_its_room_is_taken_to_end_in_the_assumed_air(shelf):
    """Else its spool would count as drier than it is, and as good for longer."""
    Place.objects.filter(pk=shelf.pk).update(assumed_rh_pct=60)
    record_readings(shelf, [(hours_ago(1 + n), 27, 20) for n in range(48)], origin="api")
    dryer = Place.objects.create(
        name="Dryer", kind="dryer", room=shelf, max_set_point_c=120, set_point_error_c=5
    )
    spool = receive(feedstock("PA6"), shelf, core_material="unknown", net_mass_g=250)
    drying_runs.start_drying([spool], dryer, DryingSettings(55, planned_hours=6), at=hours_ago(1))
    for due_in_h in range(48, 60, 4):
        with transaction.atomic():
            want("PA6", 200, due_in_h)
            assert [violation.reason for violation in find_violations(planned(ALWAYS))] == []
            transaction.set_rollback(True)


# Without shrinking: each example takes a while.
@settings(
    max_examples=8,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)
@given(data=st.data())
def test_whatever_the_shop_its_plan_holds_when_it_is_simulated(data, shelf, box):
    """Random spools, places, dryers, runs that go on, prints and staffed hours."""
    with transaction.atomic():
        plan = _some_plan(data.draw, shelf, box)
        assert [violation.reason for violation in find_violations(plan)] == []
        for drying in plan.standing():
            assert (
                drying.start - drying.start.replace(minute=0, second=0, microsecond=0)
            ) % SLOT == timedelta(0)
        transaction.set_rollback(True)


def _some_plan(draw, shelf: Place, box: Place) -> WeekPlan:
    Place.objects.filter(pk=shelf.pk).update(assumed_rh_pct=draw(st.sampled_from([35, 60])))
    Place.objects.filter(pk=box.pk).update(assumed_rh_pct=draw(st.sampled_from([8, 30])))
    for place in (shelf, box):
        if draw(st.booleans()):
            ago, rh_pct = draw(st.floats(0.1, 7)), draw(st.sampled_from([20, 85]))
            readings = [(hours_ago(ago + n), 27, rh_pct) for n in range(48)]
            record_readings(place, readings, origin="api")
    dryers = [
        Place.objects.create(
            name=f"Dryer {n}",
            kind="dryer",
            room=shelf,
            max_set_point_c=draw(st.sampled_from([65, 90, 120])),
            set_point_error_c=draw(st.sampled_from([0, 5])),
            spool_capacity=draw(st.sampled_from([None, 2, 4])),
        )
        for n in range(draw(st.integers(1, 2)))
    ]
    kinds = sorted(draw(st.sets(st.sampled_from(KINDS), min_size=1, max_size=4)))
    spools = []
    for product in map(feedstock, kinds):
        for _ in range(draw(st.integers(1, 2))):
            spool = receive(
                product,
                draw(st.sampled_from([shelf, box])),
                core_material=draw(st.sampled_from(["pc", "abs", "unknown"])),
                net_mass_g=draw(st.sampled_from([250, 800])),
                sealed=draw(st.booleans()),
            )
            # The unknowns of a spool are drawn from its code.
            spools.append(
                with_code(spool, draw(st.text("ACDEFGHJKLMN", min_size=5, max_size=5)) + f"{len(spools)}")
            )
    if draw(st.booleans()):
        run_c = suggested_set_point_c(spools[0], dryers[0])
        drying_runs.start_drying(
            [spools[0]], dryers[0], DryingSettings(run_c, planned_hours=6), at=hours_ago(1)
        )
    for kind in kinds:
        hours = draw(st.integers(2, 160))
        want(kind, draw(st.sampled_from([30, 200])), hours, urgent=draw(st.booleans()))
    return planned(draw(st.sampled_from([ALWAYS, StaffedHours(time(7), time(22))])))
