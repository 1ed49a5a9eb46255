import copy
import io
import json

import pytest
from django.core.management import CommandError, call_command

from spools.catalogue.importing import load_materials
from spools.physics.scenario import ScenarioError, simulate

SCENARIO = {
    "filament": {"diameter_mm": 1.75, "density_g_cm3": 1.13},
    "polymer": {
        "d23_m2_s": 4e-13,
        "e_d_kj_mol": 44,
        "isotherm": {"kind": "gab", "wm_pct": 2.35, "c": 4.6, "k": 0.768},
    },
    "winding": {"core_radius_mm": 50, "outer_radius_mm": 95, "width_mm": 60, "pore_fraction": 0.3},
    "start": {"moisture_pct": 0.2},
    "heat": False,
    "surroundings": [
        {"hours": 72, "temperature_c": 23, "rh_pct": 50},
        {"hours": 8, "temperature_c": 80, "rh_pct": 2.9},
    ],
}


def changed(path, value):
    scenario = copy.deepcopy(SCENARIO)
    *way, last = path
    part = scenario
    for key in way:
        part = part[key]
    if value is None:
        del part[last]
    else:
        part[last] = value
    return scenario


def test_the_output_has_what_was_promised():
    result = simulate(SCENARIO, lambda name: None)
    assert [step["hours"] for step in result["steps"]] == [72, 8]
    first, second = result["steps"]
    for step in (first, second):
        assert step["edges_mm"][0] == pytest.approx(50)
        assert step["edges_mm"][-1] == pytest.approx(95)
        assert len(step["edges_mm"]) == len(step["profile_pct"]) + 1 == len(step["temperature_c"]) + 1
        assert step["inner_pct"] == step["profile_pct"][0]
        assert step["outer_pct"] == step["profile_pct"][-1]
        assert min(step["profile_pct"]) <= step["mean_pct"] <= max(step["profile_pct"])
    assert first["outer_pct"] > first["inner_pct"] > 0.2
    assert second["outer_pct"] < second["inner_pct"]
    assert second["temperature_c"] == pytest.approx([80] * len(second["temperature_c"]))
    assert result["water_balance_error_pct"] < 1e-9


def test_a_list_is_one_batch_with_the_same_results():
    other = changed(["heat"], True)
    both = simulate([SCENARIO, other, SCENARIO], lambda name: None)
    assert both[0] == both[2] == simulate(SCENARIO, lambda name: None)
    assert both[1] == simulate(other, lambda name: None)
    assert both[1]["steps"][1]["temperature_c"][0] < 80


@pytest.mark.parametrize(
    ("path", "value", "says"),
    [
        (["filament", "diameter_mm"], 0, "filament.diameter_mm: give a number above 0"),
        (["filament", "density_g_cm3"], "1.13", "filament.density_g_cm3: give a number"),
        (["filament", "diametr_mm"], 1.75, "filament.diametr_mm: there is no such field"),
        (["winding", "outer_radius_mm"], 40, "winding.outer_radius_mm: give a number above 50"),
        (["winding", "pore_fraction"], None, "winding.pore_fraction: is missing"),
        (["polymer", "d23_m2_s"], True, "polymer.d23_m2_s: give a number"),
        (["polymer", "isotherm", "kind"], "bet", "polymer.isotherm.kind: give one of henry, gab"),
        (["polymer", "isotherm", "k"], 1.2, "polymer.isotherm.k: give a number from"),
        (["polymer"], {"name": "PA7"}, "polymer.name: the catalogue has no polymer 'PA7'"),
        (["start", "moisture_pct"], -1, "start.moisture_pct: give a number from 0"),
        (["heat"], "yes", "heat: give true or false"),
        (["surroundings"], [], "surroundings: give a list"),
        (["surroundings", 1, "rh_pct"], 140, r"surroundings\[1\].rh_pct: give a number from 0 to 100"),
        (["surroundings", 0, "hours"], float("nan"), r"surroundings\[0\].hours: give a number"),
        (["surroundings", 0, "hours"], 10**400, r"surroundings\[0\].hours: give a number"),
        (["surroundings", 0], 5, r"surroundings\[0\]: give an object"),
        (["printer"], "x", "printer: there is no such field"),
    ],
)
def test_a_wrong_field_is_named(path, value, says):
    with pytest.raises(ScenarioError, match="^" + says):
        simulate(changed(path, value), lambda name: None)


def test_in_a_list_the_scenario_is_named_too():
    with pytest.raises(ScenarioError, match=r"^\[1\]\.heat: "):
        simulate([SCENARIO, changed(["heat"], 1)], lambda name: None)


@pytest.mark.django_db
def test_the_command_takes_a_polymer_from_the_catalogue(tmp_path):
    load_materials()
    file = tmp_path / "scenario.json"
    file.write_text(json.dumps(changed(["polymer"], {"name": "PA6"})))
    out = io.StringIO()
    call_command("simulate", str(file), stdout=out)
    by_name = json.loads(out.getvalue())
    values = {"d23_m2_s": 5e-13, "e_d_kj_mol": 44, "w50_pct": 2.8, "isotherm": "gab"}
    direct = simulate(
        changed(["polymer"], {"name": "nylon"}), lambda name: values | {"gab_c": 4.6, "gab_k": 0.768}
    )
    assert by_name == direct


def test_the_command_reads_stdin(monkeypatch, capsys):
    monkeypatch.setattr("sys.stdin", io.StringIO(json.dumps([SCENARIO])))
    call_command("simulate", "-")
    assert json.loads(capsys.readouterr().out) == simulate([SCENARIO], lambda name: None)


@pytest.mark.parametrize(
    ("text", "says"), [("{", "is not JSON"), (json.dumps({"filament": 3}), "filament: give an object")]
)
def test_the_command_names_the_mistake_in_a_file(tmp_path, text, says):
    file = tmp_path / "scenario.json"
    file.write_text(text)
    with pytest.raises(CommandError, match=says):
        call_command("simulate", str(file))
    with pytest.raises(CommandError, match="cannot be read"):
        call_command("simulate", str(tmp_path / "none.json"))
