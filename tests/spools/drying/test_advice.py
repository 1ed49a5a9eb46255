"""The one advisor: the same numbers as a plan's page, in order of need, by what is in each dryer."""

from datetime import timedelta

import pytest
from django.utils import timezone

from spools.drying import advice as advisor
from spools.drying import search
from spools.drying.advice import Advice, advise
from spools.drying.advice_wording import LONG_H
from spools.drying.dryers import load_dryers
from spools.drying.options import next_quarter
from spools.drying.plan_wording import ask_for_reel, name_limit
from spools.drying.plans import plan_drying
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.drying.week.requests import add_print_request
from spools.inventory.moves import move_spool
from spools.models import Place, PlannedDrying, WeekPlan
from spools.moisture.state import moisture_of
from tests.spools.conftest import feedstock, hours_ago, receive

pytestmark = pytest.mark.django_db


def advice_for(*spools, at=None) -> list[Advice]:
    at = at or timezone.now()
    found = advise(moisture_of(spools, at), load_dryers(at))
    return [found[spool.pk] for spool in spools]


def accept(spool, dryer, start, hours, **values) -> PlannedDrying:
    """An accepted plan of the week with one drying."""
    plan, _ = WeekPlan.objects.get_or_create(
        ended_at=None,
        defaults={
            "staffed_from": "07:00",
            "staffed_to": "22:00",
            "made_at": start,
            "accepted_at": start,
        },
    )
    given = {"set_point_c": 70, "target_pct": 0.5} | values
    return PlannedDrying.objects.create(
        plan=plan, spool=spool, dryer=dryer, start=start, end=start + timedelta(hours=hours), **given
    )


def test_the_advice_is_the_plan_of_the_dryer_in_which_it_is_dry_first(spool, dryer, shelf):
    Place.objects.create(name="Cool", kind="dryer", max_set_point_c=60, room=shelf)
    at = timezone.now()
    [advice] = advice_for(spool, at=at)
    plan = plan_drying(spool, dryer, at=at)
    assert (advice.kind, advice.drying.dryer_id) == (advisor.DRY, dryer.pk)
    assert advice.drying.stages == plan.stages
    assert (advice.drying.hours, advice.drying.ready_at) == (plan.hours, plan.ready_at)
    assert advice.drying.starts_at == next_quarter(at)
    assert advice.limited_by == plan.limited_by
    assert advice.cautions == plan.notes
    here = next(good for good in plan.stays_good if good.place == shelf)
    assert (advice.place, advice.well_h, advice.printable_h) == (
        str(shelf),
        round(here.well_h, 1),
        round(here.printable_h, 1),
    )
    assert 0 < advice.well_h < advice.printable_h
    # Its course falls to below the target at the time when it is ready, and rises again for a week.
    drying, after = (
        [point for point in advice.course if (point.at >= advice.drying.ready_at) == is_after]
        for is_after in (False, True)
    )
    assert drying[0].at >= advice.drying.starts_at
    assert drying[0].p50_pct > drying[-1].p50_pct > after[0].p50_pct
    assert after[0].at == advice.drying.ready_at and after[0].p50_pct <= advice.target_pct
    assert after[-1].at == after[0].at + timedelta(days=7) and after[-1].p50_pct > after[0].p50_pct


def test_forty_like_spools_have_the_same_plan(nylon, shelf, dryer):
    """Their codes alone made them 38 to 49.5 h once."""
    at = timezone.now()
    spools = [receive(nylon, shelf, at=at - timedelta(days=10)) for _ in range(40)]
    states = moisture_of(spools, at)
    assert len({state.winding.state.to_bytes() for state in states.values()}) == 1
    hours = [plan_drying(spool, dryer, at=at).hours for spool in spools[::13]]
    assert max(hours) <= 1.05 * min(hours)


def test_one_that_prints_well_needs_none_and_one_without_a_dryer_waits_for_one(pla, nylon, bag, shelf):
    dry, wet = receive(pla, bag, card="dry"), receive(nylon, shelf, sealed=False)
    assert [found.kind for found in advice_for(dry, wet)] == [advisor.NONE_NEEDED, advisor.NO_DRYER]


def test_turns_outside_that_took_up_water_are_dried_though_all_of_it_is_dry_on_average(shelf, box, dryer):
    damp = receive(feedstock("PA12"), box, card="dry", at=hours_ago(200))
    move_spool(damp, shelf, at=hours_ago(8))
    [advice] = advice_for(damp)
    assert advice.kind == advisor.DRY
    assert 0 < advice.drying.hours < plan_drying(receive(feedstock("PA6"), shelf), dryer).hours


def test_a_dryer_with_a_neighbour_is_taken_once_that_is_out(spool, pla, shelf, dryer):
    low = receive(pla, shelf)
    [run] = start_drying([low], dryer, DryingSettings(45, planned_hours=6), at=hours_ago(1))
    [advice] = advice_for(spool)
    assert advice.drying.starts_at >= run.planned_end
    [waits] = advice.drying.waits
    assert (waits.code, waits.values["spools"]) == ("drying.waits_for", [low.code])
    assert advice.drying.ready_at == advice.drying.starts_at + timedelta(hours=advice.drying.hours)


def test_one_that_is_done_or_only_stands_there_is_to_be_taken_out(spool, pla, shelf, dryer):
    low, idle = receive(pla, shelf), receive(pla, shelf)
    [run] = start_drying([low], dryer, DryingSettings(45, planned_hours=6), at=hours_ago(30))
    [advice] = advice_for(spool)
    assert [(one.code, one.values) for one in advice.drying.waits] == [
        ("drying.take_out_first", {"spools": [low.code]})
    ]
    assert advice.drying.starts_at <= next_quarter(timezone.now())
    finish_drying(run, place=shelf)
    move_spool(idle, dryer)
    [advice] = advice_for(spool)
    assert advice.drying.waits[0].values == {"spools": [idle.code]}


def test_a_spool_joins_its_like_where_there_is_room(spool, nylon, shelf, dryer):
    other = receive(nylon, shelf)
    start_drying([other], dryer, DryingSettings(75, planned_hours=40), at=hours_ago(1))
    [alone] = advice_for(spool)
    assert alone.drying.waits
    Place.objects.filter(pk=dryer.pk).update(spool_capacity=2)
    [joined] = advice_for(spool)
    assert (joined.drying.waits, joined.drying.shares_with) == ([], [other.code])
    assert joined.limited_by.code == "drying.limited_by_sharing"
    assert joined.next_best.starts_at == alone.drying.starts_at


def test_spools_of_different_smells_do_not_share(shelf, dryer):
    dryer.spool_capacity = 4
    dryer.save()
    abs_, asa = (receive(feedstock(name), shelf, sealed=False, core_material="pc") for name in ("ABS", "PA6"))
    start_drying([abs_], dryer, DryingSettings(75, planned_hours=8))
    [advice] = advice_for(asa)
    assert advice.drying.shares_with == []


def test_an_accepted_plan_is_the_advice(spool, dryer):
    start = next_quarter(timezone.now()) + timedelta(hours=5)
    planned = accept(spool, dryer, start, 23.75, set_point_c=77, first_set_point_c=60, first_hours=2)
    [advice] = advice_for(spool)
    assert (advice.kind, advice.planned) == (advisor.PLANNED, planned.pk)
    assert advice.drying.stages == [(60, 2), (77, 21.75)]
    assert (advice.drying.starts_at, advice.drying.ready_at) == (planned.start, planned.end)
    assert advice.well_h and advice.printable_h


def test_a_plan_that_is_late_starts_now_and_one_whose_dryer_is_taken_when_that_is_free(
    spool, pla, shelf, dryer
):
    at = timezone.now()
    planned = accept(spool, dryer, next_quarter(at) - timedelta(hours=3), 20)
    [late] = advice_for(spool, at=at)
    assert (late.drying.starts_at, late.drying.hours) == (next_quarter(at), planned.hours)
    low = receive(pla, shelf)
    [run] = start_drying([low], dryer, DryingSettings(45, planned_hours=9))
    [taken] = advice_for(spool)
    assert taken.drying.starts_at >= run.planned_end
    assert taken.drying.waits[0].values["spools"] == [low.code]
    assert taken.drying.stages == late.drying.stages


def test_others_go_before_or_after_what_is_planned(spool, nylon, shelf, dryer):
    wet = receive(nylon, shelf)
    at = timezone.now()
    [alone] = advice_for(wet, at=at)
    soon = accept(spool, dryer, next_quarter(at) + timedelta(hours=2), 20)
    [after] = advice_for(wet, at=at)
    assert after.drying.starts_at == soon.end
    assert after.drying.waits[0].values["spools"] == [spool.code]
    PlannedDrying.objects.update(start=soon.start + timedelta(hours=80), end=soon.end + timedelta(hours=80))
    [before] = advice_for(wet, at=at)
    assert before.drying.starts_at == alone.drying.starts_at


def test_the_earliest_need_has_the_dryer_first_and_the_others_come_after(nylon, shelf, dryer):
    first, second, third = (receive(nylon, shelf) for _ in range(3))
    for hours, wanted in ((60, second), (30, first)):
        add_print_request(wanted, 100, timezone.now() + timedelta(hours=hours))
    at = timezone.now()
    one, two, three = advice_for(first, second, third, at=at)
    assert one.drying.waits == []
    assert two.drying.starts_at == one.drying.ready_at
    assert two.drying.waits[0].values["spools"] == [first.code]
    assert three.drying.waits[0].values["spools"] == [first.code, second.code]
    # Each alone gets the same advice as with the others.
    assert [advice_for(one_, at=at)[0] for one_ in (first, second, third)] == [one, two, three]


def test_a_spool_in_a_run_is_dry_when_the_physics_expects_it(spool, dryer):
    [run] = start_drying([spool], dryer, DryingSettings(75, planned_hours=3), at=hours_ago(2))
    [advice] = advice_for(spool)
    assert (advice.kind, advice.run) == (advisor.IN_RUN, run.pk)
    assert advice.drying.ready_at > run.planned_end
    assert [caution.code for caution in advice.cautions] == ["drying.leave_in_until"]


def test_elapsed_heat_counts_and_never_leave_it_in(spool, dryer):
    [run] = start_drying([spool], dryer, DryingSettings(80, planned_hours=8), at=hours_ago(25))
    [advice] = advice_for(spool)
    codes = [caution.code for caution in advice.cautions]
    assert "drying.heat_is_used_up" in codes and "drying.leave_in_until" not in codes
    assert advice.take_out_by < timezone.now()
    run.target_pct = 0.01
    run.save()
    assert "drying.heat_is_used_up" in [caution.code for caution in advice_for(spool)[0].cautions]


def test_what_nothing_here_dries_names_the_limit(nylon, shelf, dryer):
    shelf.assumed_rh_pct = 95
    shelf.save()
    dryer.max_set_point_c = 40
    dryer.save()
    [advice] = advice_for(receive(nylon, shelf, sealed=False))
    assert (advice.kind, advice.drying.ready_at) == (advisor.UNREACHABLE, None)
    assert advice.limited_by.code == "drying.limited_by_room"


@pytest.mark.parametrize(
    ("values", "hottest_c", "code"),
    [
        ({"core_material": "cardboard"}, 110, "drying.limited_by_reel"),
        ({"core_material": "pc"}, 72, "drying.limited_by_dryer"),
    ],
)
def test_the_limit_that_binds_is_named(nylon, shelf, dryer, values, hottest_c, code):
    dryer.max_set_point_c = hottest_c
    dryer.save()
    [advice] = advice_for(receive(nylon, shelf, **values))
    assert advice.limited_by.code == code
    line = name_limit(advice.limited_by.as_data())
    assert line and (line in advice.sentence) == (advice.kind == advisor.DRY and advice.drying.hours > LONG_H)


def test_an_unknown_reel_that_decides_is_asked_for_first(nylon, shelf, dryer):
    spool = receive(nylon, shelf, core_material="unknown")
    [advice] = advice_for(spool)
    assert advice.limited_by.code == "drying.limited_by_unknown_reel"
    stated = advice.limited_by.values
    assert advice.sentence.startswith(ask_for_reel(**stated))
    spool.core_material = stated["material"]
    spool.save()
    [known] = advice_for(spool)
    assert known.drying.stages[-1][0] == stated["set_point_c"]
    assert known.drying.hours == stated["hours"]
    assert advice.drying.hours is None or known.drying.hours < advice.drying.hours


def test_an_unknown_reel_is_not_asked_for_where_the_polymer_allows_no_more(pla, shelf, dryer):
    shelf.assumed_rh_pct = 70
    shelf.save()
    [advice] = advice_for(receive(pla, shelf, core_material="unknown", sealed=False))
    assert advice.kind == advisor.DRY
    assert advice.limited_by.code != "drying.limited_by_unknown_reel"


def test_a_nylon_that_had_its_heat_is_kept_dry(spool, dryer, shelf):
    for n in range(5):
        [run] = start_drying([spool], dryer, DryingSettings(80), at=hours_ago(200 - 30 * n))
        finish_drying(run, place=shelf, at=hours_ago(180 - 30 * n))
    [advice] = advice_for(spool)
    assert advice.kind == advisor.HEAT_USED


def test_the_number_of_queries_does_not_grow_and_alike_dryers_are_computed_once(
    nylon, pla, shelf, box, dryer, django_assert_max_num_queries, monkeypatch
):
    Place.objects.create(
        name="Twin", kind="dryer", max_set_point_c=90, room=shelf, set_point_error_c=dryer.set_point_error_c
    )
    spools = [receive(f, p) for f in (nylon, pla, feedstock("PETG")) for p in (shelf, box)]
    at = timezone.now()
    states = moisture_of(spools, at)
    with django_assert_max_num_queries(16):
        dryers = load_dryers(at)
    lanes = []
    real = search.drying_spans
    monkeypatch.setattr(
        search, "drying_spans", lambda rows, *args, **kw: lanes.extend(rows) or real(rows, *args, **kw)
    )
    with django_assert_max_num_queries(0):
        found = advise(states, dryers)
    wet = [pk for pk, one in found.items() if one.kind != advisor.NONE_NEEDED]
    assert 0 < len(wet) <= len(lanes) <= 3 * len(wet)


def test_every_advice_has_words_and_goes_through_json(spool, nylon, pla, shelf, bag, dryer):
    planned = receive(nylon, shelf)
    accept(planned, dryer, next_quarter(timezone.now()) + timedelta(hours=50), 20)
    inside, dry = receive(pla, shelf), receive(pla, bag, card="dry")
    start_drying([inside], dryer, DryingSettings(45), at=hours_ago(1))
    for advice in advice_for(spool, planned, inside, dry):
        said = advice.statement.from_data(advice.statement.as_data()).sentence
        assert said and "None" not in said
