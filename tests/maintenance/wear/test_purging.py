"""Changes of material, with the windows of the catalogue."""

import csv
from itertools import product
from pathlib import Path

import pytest

from maintenance.wear.purging import PurgeMaterial, assess_change

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
    found = changed("PETG", "PLA")
    assert found.matters
    assert found.sentence == (
        "PETG was in it last and flows from 220 °C on: at 205 °C its leftovers do not melt out."
    )
    assert found.remedy.startswith("Purge with PLA at 220 °C") and found.remedy.endswith("down to 205 °C.")


def test_a_little_above_its_window_it_is_pushed_through_without_a_pause():
    assert "without a pause" in changed("ABS", "PLA").remedy


@pytest.mark.parametrize("new", ["PLA", "POM", "PVA"])
def test_a_material_that_would_char_is_not_heated_to_the_old_temperature(new):
    found = changed("PC", new)
    assert found.matters and found.remedy.startswith(f"Do not heat {new} to 260 °C")
    assert "cold pull" in found.remedy


def test_a_material_with_harmful_fumes_is_not_heated_that_far_either():
    # 30 K above its window others are pushed through; POM and PVA are not.
    assert changed("ABS", "POM").remedy.startswith("Purge with POM at 230 °C until")
    assert changed("PA6", "POM").remedy.startswith("Do not heat POM to 245 °C")


def test_leftovers_that_give_off_fumes_when_overheated_matter_in_the_other_direction():
    found = changed("POM", "PC")
    assert found.matters and "it gives off formaldehyde" in found.sentence
    assert found.remedy.startswith("Purge at 210 to 230 °C before you heat to 285 °C")
    assert "ventilate" in found.remedy


def test_charring_leftovers_are_reported_and_no_reason_to_wait():
    found = changed("PLA", "PC")
    assert not found.matters and "chars at 285 °C" in found.sentence


def test_leftover_fibres_are_reported():
    filled = PurgeMaterial("PLA", 190, 220, filler="carbon fibre")
    assert "carbon fibre" in assess_change(filled, CATALOGUE["PLA"], 205).sentence
    assert "carbon fibre" not in assess_change(filled, filled, 205).sentence


def test_alike_materials_take_a_plain_purge():
    found = changed("ABS", "ASA")
    assert not found.matters and "melts at 245 °C, too" in found.sentence


def test_for_every_change_of_the_catalogue_the_advice_is_safe():
    """The new material is never heated far beyond its window, and leftovers that do not melt matter."""
    for old, new in product(CATALOGUE.values(), repeat=2):
        found = assess_change(old, new, middle(new))
        assert found.sentence.endswith(".") and found.remedy.endswith(".")
        assert found.matters >= (old.nozzle_min_c > middle(new)), (old, new)
        if found.remedy.startswith(f"Purge with {new.polymer} at "):
            purge_c = float(found.remedy.split(" at ")[1].split(" °C")[0])
            assert purge_c <= new.nozzle_max_c + (0 if new.overheated else 30), (old, new)
