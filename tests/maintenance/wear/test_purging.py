"""Changes of material, with the windows of the catalogue."""

import csv
from itertools import product
from pathlib import Path

import pytest

from maintenance.wear.purging import PurgeMaterial, assess_change
from spools.statements import Statement

POLYMERS = Path(__file__).parents[3] / "fixtures" / "reference" / "polymers.csv"
with POLYMERS.open() as file:
    CATALOGUE = {
        row["polymer"]: PurgeMaterial(
            row["polymer"],
            float(row["nozzle_min_c"]),
            float(row["nozzle_max_c"]),
            overheated=row["emission"].removesuffix(" if overheated")
            if row["emission"].endswith("if overheated")
            else "",
        )
        for row in csv.DictReader(file)
    }


def middle(material: PurgeMaterial) -> float:
    return (material.nozzle_min_c + material.nozzle_max_c) / 2


def changed(old: str, new: str, nozzle_c: float | None = None):
    to = CATALOGUE[new]
    return assess_change(CATALOGUE[old], to, middle(to) if nozzle_c is None else nozzle_c)


def test_coming_from_a_hotter_material_its_leftovers_matter():
    change = changed("PETG", "PLA")
    assert change.matters
    assert change.statement == Statement(
        "purging.leftovers_do_not_melt", {"old": "PETG", "nozzle_c": 205, "old_min_c": 220}
    )
    assert change.remedy == Statement(
        "purging.with_new_material", {"new": "PLA", "purge_c": 220, "nozzle_c": 205}
    )


def test_a_little_above_its_window_it_is_pushed_through_without_a_pause():
    assert changed("ABS", "PLA").remedy.code == "purging.with_new_material_without_pause"


@pytest.mark.parametrize("new", ["PLA", "POM", "PVA"])
def test_a_material_that_would_char_is_not_heated_to_the_old_temperature(new):
    change = changed("PC", new)
    assert change.matters and change.remedy.code == "purging.with_compound"
    assert (change.remedy.values["new"], change.remedy.values["purge_c"]) == (new, 260)


def test_a_material_with_harmful_fumes_is_not_heated_that_far_either():
    # 30 K above its window others are pushed through; POM and PVA are not.
    assert changed("ABS", "POM").remedy.code == "purging.with_new_material"
    assert changed("PA6", "POM").remedy.code == "purging.with_compound"
    assert changed("PA6", "POM").remedy.values["fumes"] == "formaldehyde"


def test_leftovers_that_give_off_fumes_when_overheated_matter_in_the_other_direction():
    change = changed("POM", "PC")
    assert change.matters and change.statement.code == "purging.leftovers_give_off_fumes"
    assert change.statement.values["fumes"] == "formaldehyde"
    assert change.remedy == Statement(
        "purging.before_heating_and_ventilate", {"old_min_c": 210, "old_max_c": 230, "nozzle_c": 285}
    )


def test_charring_leftovers_are_reported_and_no_reason_to_wait():
    change = changed("PLA", "PC")
    assert not change.matters and change.statement.code == "purging.leftovers_char"


def test_leftover_fibres_are_reported():
    filled = PurgeMaterial("PLA", 190, 220, filler="carbon fibre")
    particles = Statement("purging.particles_come_out", {"old": "PLA", "filler": "carbon fibre"})
    assert assess_change(filled, CATALOGUE["PLA"], 205).statement == particles
    assert assess_change(filled, filled, 205).statement.code == "purging.leftovers_melt"


def test_alike_materials_take_a_plain_purge():
    change = changed("ABS", "ASA")
    assert not change.matters and change.statement.code == "purging.leftovers_melt"
    assert change.remedy == Statement("purging.until_clean")


def test_for_every_change_of_the_catalogue_the_advice_is_safe():
    """The new material is never heated far beyond its window, and leftovers that do not melt matter."""
    for old, new in product(CATALOGUE.values(), repeat=2):
        change = assess_change(old, new, middle(new))
        assert change.matters >= (old.nozzle_min_c > middle(new)), (old, new)
        if change.remedy.code.startswith("purging.with_new_material"):
            purge_c = change.remedy.values["purge_c"]
            assert purge_c <= new.nozzle_max_c + (0 if new.overheated else 30), (old, new)
