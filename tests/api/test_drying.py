import pytest

from spools.models import DryingRun, Stay
from tests.restored import built_once
from tests.spools.conftest import polymer

from .conftest import ago


@built_once
def wet(api, shop, receive) -> str:
    """The code of a nylon spool that lay on the shelf for eight days."""
    code = receive()
    api.post(f"spools/{code}/move", place=shop.shelf, at=ago(days=8))
    return code


def test_a_plan_reports_hours_and_why_not_hotter(api, shop, wet):
    plan = api.get(f"spools/{wet}/drying-plan", dryer=shop.dryer)
    assert plan["set_point_c"] <= plan["cap"]["cap_c"]
    assert plan["cap"]["cap_c"] == min(part["limit_c"] for part in plan["cap"]["parts"])
    assert plan["reachable"] is True and plan["hours"] > 0 and plan["ready_at"]
    assert shop.dry_box in [stay["place"]["id"] for stay in plan["stays_good"]]
    colder = api.get(f"spools/{wet}/drying-plan", dryer=shop.dryer, set_point_c=50)
    assert colder["hours"] is None or colder["hours"] > plan["hours"]


def test_plans_that_cannot_be_are_refused(api, shop, wet):
    def refused(**query):
        return api.refused(f"spools/{wet}/drying-plan", method="get", **query)

    assert "dryer" in refused()
    assert "dryer" in refused(dryer=shop.shelf)
    assert "set_point_c" in refused(dryer=shop.dryer, set_point_c=300)
    assert "set_point_c" in refused(dryer=shop.dryer, set_point_c="nan")
    assert refused(dryer=shop.dryer, target_pct=-1)
    assert refused(dryer=shop.dryer, mass_g=-1)


def test_a_run_with_weighings_reports_its_loss(api, shop, wet):
    [run] = api.post(
        "drying-runs",
        spools=[{"spool": wet, "gross_g": 1225}],
        dryer=shop.dryer,
        set_point_c=80,
        at=ago(hours=20),
        resolution_g=1,
    )
    assert (run["spool"], run["end"], run["before_g"]) == (wet, None, 1225)
    assert [row["id"] for row in api.get("drying-runs", open=True)["results"]] == [run["id"]]
    assert api.get(f"spools/{wet}")["stay"]["place"] == shop.dryer
    finish = f"drying-runs/{run['id']}/finish"
    ended = api.post(finish, status=200, place=shop.dry_box, gross_g=1210, resolution_g=1)
    assert ended["run"]["end"]
    assert (ended["loss"]["loss_g"], ended["caution"]) == (15, None)
    assert 0 < ended["loss"]["uncertainty_g"] < 5
    assert api.get(f"spools/{wet}")["stay"]["place"] == shop.dry_box
    assert api.get("drying-runs", open=True)["count"] == 0
    assert api.refused(finish, place=shop.dry_box)


def test_a_run_for_the_outer_turns_has_their_mass_as_its_goal(api, shop, wet):
    start = {"spools": [{"spool": wet}], "dryer": shop.dryer, "set_point_c": 80}
    assert "mass_g" in api.refused("drying-runs", **start, mass_g=-1)
    [run] = api.post("drying-runs", **start, mass_g=60)
    assert run["mass_g"] == 60
    whole = api.post("drying-runs/plan", status=200, spools=[wet], dryer=shop.dryer, set_point_c=80)
    assert run["planned_hours"] < whole["hours"]


def test_the_lowest_cap_of_several_spools_counts(api, shop, wet, receive):
    low = receive(feedstock=shop.pla, place=shop.shelf)
    both = [{"spool": wet}, {"spool": low}]
    refusals = api.refusals("drying-runs", spools=both, dryer=shop.dryer, set_point_c=80)
    assert refusals == {"set_point_c": "above_cap"}
    assert not DryingRun.objects.exists()
    cool = {"spools": both, "dryer": shop.dryer, "set_point_c": 40}
    assert "override_reason" in api.refused("drying-runs", **cool)
    runs = {run["spool"]: run for run in api.post("drying-runs", **cool, override_reason="for the PLA")}
    assert set(runs) == {wet, low}
    assert runs[wet]["hold"]["code"].startswith("drying.too_") and runs[wet]["hold"]["sentence"]
    assert (runs[low]["hold"], runs[low]["override_reason"]) == (None, "")


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"set_point_c": 140}, "set_point_c"),
        ({"set_point_c": -10}, "set_point_c"),
        ({"set_point_c": None}, "set_point_c"),
        ({"planned_hours": -2}, "planned_hours"),
        ({"at": ago(hours=-3)}, "at"),
        ({"at": ago(days=30)}, "at"),
        ({"spools": []}, "spools"),
        ({"spools": "K7M4QX"}, "spools"),
        ({"spools": [{"spool": "AAAAAA"}]}, "spools.0.spool"),
    ],
)
def test_runs_that_cannot_be_are_refused_and_nothing_is_stored(api, shop, wet, wrong, field):
    stays = Stay.objects.count()
    run = {"spools": [{"spool": wet}], "dryer": shop.dryer, "set_point_c": 70}
    messages = api.refused("drying-runs", **run | wrong)
    assert any(name.startswith(field) for name in messages), messages
    assert (DryingRun.objects.count(), Stay.objects.count()) == (0, stays)


def test_a_spool_is_in_one_run_and_leaves_it_by_finishing(api, shop, wet):
    run = {"spools": [{"spool": wet}], "dryer": shop.dryer, "set_point_c": 70}
    [started] = api.post("drying-runs", **run, at=ago(hours=2))
    assert api.refused("drying-runs", **run)
    assert api.refusals(f"spools/{wet}/move", place=shop.shelf) == {"": "in_a_run"}
    finish = f"drying-runs/{started['id']}/finish"
    assert "at" in api.refused(finish, place=shop.shelf, at=ago(hours=3))
    assert "at" in api.refused(finish, place=shop.shelf, at=ago(hours=-3))
    assert "place" in api.refused(finish)
    assert DryingRun.objects.get().end is None


def test_a_plan_compares_set_points_and_reports_goal_and_heat(api, shop, wet):
    plan = api.get(f"spools/{wet}/drying-plan", dryer=shop.dryer)
    assert plan["options"][0]["recommended"] and plan["options"][0]["why"]
    assert plan["options"][0]["stages"] == plan["stages"]
    assert plan["stages"][-1]["set_point_c"] == plan["set_point_c"]
    assert sum(stage["hours"] for stage in plan["stages"]) == plan["hours"]
    assert plan["options"][0]["run_share"] > 0
    assert plan["heat"] == {"hours": 0, "life_share": 0, "caution": None}
    assert plan["life_share"] == pytest.approx(plan["options"][0]["run_share"] * 0.24)
    strong = api.get(f"spools/{wet}/drying-plan", dryer=shop.dryer, goal="strong")
    assert strong["target_pct"] < plan["target_pct"]
    assert "drying.strong_limit" in [note["code"] for note in strong["notes"]]
    assert "goal" in api.refused(f"spools/{wet}/drying-plan", method="get", dryer=shop.dryer, goal="best")


def test_spools_are_planned_together(api, shop, wet, receive):
    low = receive(feedstock=shop.pla, place=shop.shelf)
    found = api.post("drying-runs/plan", status=200, spools=[wet, low], dryer=shop.dryer)
    assert found["limiting_spool"] == low
    assert found["without_limiting_c"] > found["cap"]["cap_c"]
    assert [row["spool"] for row in found["plans"]] == [wet, low]
    stage = found["stages"][-1]["set_point_c"]
    assert {row["plan"]["set_point_c"] for row in found["plans"]} == {stage}
    assert stage < found["cap"]["cap_c"]
    assert not DryingRun.objects.exists()
    assert "spools" in api.refused("drying-runs/plan", spools=[], dryer=shop.dryer)
    assert api.refused("drying-runs/plan", spools=["AAAAAA"], dryer=shop.dryer)
    hot = api.refused("drying-runs/plan", spools=[wet, low], dryer=shop.dryer, set_point_c=80)
    assert "is the most for" in hot["set_point_c"]
    assert api.post("drying-runs/plan", status=200, spools=[wet, wet], dryer=shop.dryer)["early"] == []


def test_a_run_in_two_stages_passes_the_gate_of_both(api, shop, receive):
    water_soluble = api.post("feedstocks", maker_name="Example", polymer=pva(), name="Rinse")["id"]
    spool = receive(feedstock=water_soluble, sealed=True, card="dry")
    run = {"spools": [{"spool": spool}], "dryer": shop.dryer, "set_point_c": 50}
    assert "too hot to start at" in api.refused("drying-runs", **run)["set_point_c"]
    hot = api.refused("drying-runs", **run, first_set_point_c=46, first_hours=20)
    assert "46 °C is too hot to start at" in hot["first_set_point_c"]
    short = api.refused("drying-runs", **run, first_set_point_c=36, first_hours=0.2)
    assert "would still be soft" in short["first_hours"]
    assert "first_hours" in api.refused("drying-runs", **run, first_set_point_c=36)
    assert not DryingRun.objects.exists()
    plan = api.get(f"spools/{spool}/drying-plan", dryer=shop.dryer, set_point_c=50)
    first, second = plan["stages"]
    assert (plan["cap"]["start_c"], second["set_point_c"]) == (36, 50)
    [started] = api.post(
        "drying-runs", **run, first_set_point_c=first["set_point_c"], first_hours=first["hours"]
    )
    assert (started["first_set_point_c"], started["start_cap_c"]) == (first["set_point_c"], 36)


def pva() -> int:
    return polymer("PVA").pk


def test_coupon_tests_are_stored_and_change_caps(api, shop, receive):
    spool = receive(feedstock=shop.pla, place=shop.shelf)
    address = f"feedstocks/{shop.pla}/coupon-tests"
    stored = api.post(address, temperature_c=48, passed=False)
    assert api.get(address) == [stored]
    plan = api.get(f"spools/{spool}/drying-plan", dryer=shop.dryer)
    assert plan["cap"]["cap_c"] == 43
    assert "cap.coupon_failed" in [part["what"]["code"] for part in plan["cap"]["parts"]]
    for wrong in (
        {"temperature_c": 900},
        {"temperature_c": None},
        {"passed": "perhaps"},
        {"at": ago(hours=-3)},
    ):
        assert set(api.refused(address, **{"temperature_c": 60, "passed": True} | wrong)) == set(wrong)
    assert len(api.get(address)) == 1
    withdrawn = api.post(f"{address}/{stored['id']}/withdraw", status=200, reason="too short in the heat")
    assert withdrawn["withdrawn_at"] and withdrawn["withdrawn_reason"] == "too short in the heat"
    assert api.get(f"spools/{spool}/drying-plan", dryer=shop.dryer)["cap"]["cap_c"] == 50
    assert api.refused(f"{address}/{stored['id']}/withdraw", reason="again")


def test_no_way_into_a_dryers_heat_but_a_drying_run(api, shop, wet, receive):
    body = {"spools": [{"spool": wet}], "dryer": shop.dryer, "set_point_c": 60, "override_reason": "cool"}
    [run] = api.post("drying-runs", **body, at=ago(hours=9))
    low = receive(feedstock=shop.pla, place=shop.shelf)
    assert "gets as hot" in api.refused(f"spools/{low}/move", place=shop.dryer)["place"]
    away = {"place": shop.dryer, "start": ago(hours=5), "end": ago(hours=4)}
    assert "gets as hot" in api.refused(f"spools/{low}/excursion", **away)["place"]
    assert "place" in api.refused(
        "spools",
        feedstock=shop.pla,
        place=shop.dryer,
        net_mass_g=1000,
        core_radius_mm=50,
        width_mm=60,
    )
    api.post(f"spools/{low}/load", toolhead=shop.toolhead, override_reason="to see it come off")
    assert "gets as hot" in api.refused(f"spools/{low}/unload", place=shop.dryer)["place"]
    # One that stands there keeps the dryer from being started around it.
    api.post(f"drying-runs/{run['id']}/finish", status=200, place=shop.dryer, at=ago(hours=1))
    other = receive(feedstock=shop.nylon, place=shop.shelf)
    again = body | {"spools": [{"spool": other}]}
    assert "Take it out first" in api.refused("drying-runs", **again)["dryer"]
    api.post(f"spools/{wet}/move", place=shop.shelf)
    api.post("drying-runs", **again)
    say = api.refused(
        "drying-runs", spools=[{"spool": receive(feedstock=shop.pla)}], dryer=shop.dryer, set_point_c=45
    )
    assert "Join" not in say["set_point_c"] and "Finish that run first" in say["set_point_c"]


def test_a_plan_that_cannot_start_reports_why_and_promises_no_time(api, shop, wet, receive):
    api.post("drying-runs", spools=[{"spool": wet}], dryer=shop.dryer, set_point_c=70)
    low = receive(feedstock=shop.pla, place=shop.shelf)
    for code, reason in ((low, "too_hot_to_join"), (wet, "drying_already")):
        plan = api.get(f"spools/{code}/drying-plan", dryer=shop.dryer)
        assert plan["blocked"]["code"] == reason and plan["blocked"]["sentence"]
        assert (plan["ready_at"] is None) == (code == wet)
    assert plan["waits"] == [] and plan["limited_by"]["sentence"]


def test_a_run_of_too_much_heat_carries_a_caution(api, shop, wet):
    body = {"spools": [{"spool": wet}], "dryer": shop.dryer, "set_point_c": 77}
    [run] = api.post("drying-runs", **body, planned_hours=300)
    assert run["heat_caution"]["code"] == "drying.planned_heat"
    assert api.get(f"spools/{wet}/history")["drying_runs"][0]["heat_caution"] == run["heat_caution"]


def test_the_hottest_set_points_are_refused_by_their_caps(api, shop, receive):
    """At the limits nothing is computed that physics refuses."""
    code = receive()
    api.patch(f"places/{shop.dryer}", max_set_point_c=200, set_point_error_c=30)
    run = {"spools": [{"spool": code}], "dryer": shop.dryer}
    assert api.refusals("drying-runs", **run, set_point_c=200) == {"set_point_c": "above_cap"}
    assert api.refusals("drying-runs", **run, set_point_c=200, first_set_point_c=200, first_hours=1)
    assert api.refusals("drying-runs", **run, set_point_c=211.7) == {"set_point_c": "max_value"}
