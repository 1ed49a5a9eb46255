"""Jobs for other materials: every polymer of the catalogue, over all nozzle temperatures."""

from dataclasses import replace

import pytest
from django.core.management import call_command
from django.db import transaction

from maintenance.readiness.builder import build_material_inputs
from maintenance.readiness.inputs import IntendedMaterial, JobSpec, MaterialInputs
from maintenance.readiness.rules import judge
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, ReadinessCheck
from spools.models import Feedstock, Maker, Polymer
from tests.maintenance.readiness.test_rules import GOOD, acts, says

# The catalogue is loaded into the test database once for all tests here.
pytestmark = pytest.mark.django_db

# By hand from fixtures/reference/thermal_values.csv: flows from (lower end of the melting range; Tg + 100 K where
# nothing melts), print window, and the temperature from which a job is one for another material: 15 K over the
# window; 5 K where overheating sets harmful gas free (POM decomposes from 230 °C, PVA above 220 °C).
LIMITS = {
    "PLA": (150, 190, 220, 235),
    "PLA crystallised": (155, 200, 230, 245),
    "PETG": (180, 220, 250, 265),
    "PCTG": (180, 240, 270, 285),
    "PET": (245, 260, 300, 315),
    "ABS": (203, 230, 260, 275),
    "ASA": (200, 230, 260, 275),
    "HIPS": (197, 220, 250, 265),
    "PC": (247, 260, 310, 325),
    "PC-ABS": (207, 250, 280, 295),
    "PA6": (219, 245, 290, 305),
    "PA66": (259, 260, 290, 305),
    "PA6/66": (190, 245, 280, 295),
    "PA12": (176, 255, 275, 290),
    "PA11": (183, 240, 270, 285),
    "PPA": (280, 280, 320, 335),
    "TPU 85A": (150, 210, 240, 255),
    "TPU 95A": (165, 210, 240, 255),
    "TPU 55D": (175, 215, 245, 260),
    "PVA": (180, 185, 215, 220),
    "BVOH": (165, 195, 220, 225),
    "PP": (160, 220, 250, 265),
    "PVB": (160, 200, 225, 240),
    "PMMA": (203, 235, 260, 275),
    "POM": (163, 210, 230, 235),
    "PEI": (316, 355, 390, 405),
    "PEEK": (334, 360, 450, 465),
    "PEKK": (305, 340, 375, 390),
    "PPS": (280, 300, 340, 345),
}
TEMPERATURES = sorted(
    {*range(140, 481, 5), *(t + d for row in LIMITS.values() for t in row for d in (-1, 0, 1))}
)
# Jobs that a shop mixes up: made for, printed at, spool, state. Nothing but the temperature is known.
MIX_UPS = [
    ("PLA", 205, "PETG", CAUTION),
    ("PLA", 205, "PA6", HOLD),
    ("PLA", 205, "PC", HOLD),
    ("PLA", 205, "PVA", CLEAR),
    ("PETG", 235, "PLA", HOLD),
    ("PETG", 235, "POM", HOLD),
    ("PETG", 235, "PVA", HOLD),
    ("PETG", 235, "TPU 95A", CLEAR),
    ("ABS", 245, "PLA", HOLD),
    ("ABS", 245, "PETG", CLEAR),
    ("PA6", 260, "PLA", HOLD),
    ("PA6", 260, "PETG", CAUTION),
    ("PA6", 260, "POM", HOLD),
    ("PC", 290, "ABS", HOLD),
    ("PEEK", 400, "PC", HOLD),
    ("PLA", 300, "PLA", HOLD),
    ("PLA", 225, "PLA", CAUTION),
    ("PLA", 240, "PLA", HOLD),
    ("PA6", 190, "PA6", HOLD),
    ("PVA", 260, "PVA", HOLD),
    ("TPU 95A", 300, "TPU 95A", HOLD),
    ("ASA", 300, "ASA", HOLD),
]


@pytest.fixture(scope="module")
def materials(django_db_setup, django_db_blocker):
    """The inputs of an unfilled feedstock of each polymer of the catalogue, by the polymer's name."""
    with django_db_blocker.unblock(), transaction.atomic():
        call_command("load_catalogue", verbosity=0)
        maker = Maker.objects.create(name="Example Works")
        inputs = {
            polymer.name: build_material_inputs(
                Feedstock.objects.create(maker=maker, polymer=polymer, name=polymer.name)
            )
            for polymer in Polymer.objects.all()
        }
        transaction.set_rollback(True)
    return inputs


def judge_material(
    material: MaterialInputs, nozzle_c: float, intended: IntendedMaterial | None = None
) -> ReadinessCheck:
    job = JobSpec(mass_g=120, hours=6, nozzle_c=nozzle_c, bed_c=80, intended=intended)
    verdict = judge(replace(GOOD, material=material, job=job))
    [check] = [check for check in verdict.checks if check.name == "material"]
    return check


def test_the_table_holds_every_polymer_of_the_catalogue(materials):
    assert LIMITS.keys() == materials.keys()


@pytest.mark.parametrize("polymer", LIMITS)
def test_every_polymer_at_every_temperature(materials, polymer):
    flows_c, low_c, high_c, hold_c = LIMITS[polymer]
    for nozzle_c in TEMPERATURES:
        check = judge_material(materials[polymer], nozzle_c)
        case = polymer, nozzle_c, check
        if nozzle_c < flows_c:
            assert check.state == HOLD and says(check, "nozzle_too_cold_to_flow", flow_c=flows_c), case
            assert acts(check, "other_spool", "looks_like_other_material"), case
        elif nozzle_c >= hold_c:
            assert check.state == HOLD and says(check, "nozzle_far_above_window", max_c=high_c), case
            assert acts(check, "other_spool", "looks_like_other_material"), case
        elif low_c <= nozzle_c <= high_c:
            assert check.state == CLEAR and says(check, "material_fits") and acts(check, ""), case
        else:
            assert check.state == CAUTION and says(check, "nozzle_outside_window", min_c=low_c), case
            assert acts(check, "change_job", "change_job_temperature"), case


@pytest.mark.parametrize(("made_for", "nozzle_c", "spool", "state"), MIX_UPS)
def test_mix_ups_by_their_temperature_alone(materials, made_for, nozzle_c, spool, state):
    assert judge_material(materials[spool], nozzle_c).state == state


@pytest.mark.parametrize("made_for", LIMITS)
def test_a_job_that_states_its_polymer_is_held_on_every_other_one(materials, made_for):
    middle_c = (LIMITS[made_for][1] + LIMITS[made_for][2]) / 2
    for polymer, material in materials.items():
        check = judge_material(material, middle_c, IntendedMaterial(made_for, made_for))
        if polymer == made_for:
            assert check.state == CLEAR and says(check, "material_fits")
        else:
            assert check.state == HOLD, polymer
            assert says(check, "made_for_other_material", intended=made_for, polymer=polymer)
            assert acts(check, "other_spool", "take_other_spool_or_file")


def test_a_job_of_a_feedstock_is_a_caution_on_another_one_of_its_polymer(materials):
    pla = materials["PLA"]
    grey = IntendedMaterial("PLA", "Example Works PLA grey", pla.feedstock + 1)
    check = judge_material(pla, 205, grey)
    assert check.state == CAUTION and says(check, "made_for_other_feedstock", intended=grey.name)
    assert judge_material(pla, 205, replace(grey, feedstock=pla.feedstock)).state == CLEAR
    assert judge_material(pla, 240, grey).state == HOLD


def test_a_job_that_states_this_polymer_has_the_wrong_temperature(materials):
    for nozzle_c in (140, 235):
        check = judge_material(materials["PLA"], nozzle_c, IntendedMaterial("PLA", "PLA"))
        assert check.state == HOLD and acts(check, "change_job", "change_job_temperature")


@pytest.mark.parametrize(
    ("polymer", "fumes"),
    [("POM", "formaldehyde"), ("PVA", "acetic acid"), ("BVOH", "acetic acid"), ("PPS", "sulphur compounds")],
)
def test_harmful_gas_is_named_as_soon_as_it_is_overheated(materials, polymer, fumes):
    high_c, hold_c = LIMITS[polymer][2:]
    for intended in (None, IntendedMaterial("PC", "PC")):
        assert "fumes" not in judge_material(materials[polymer], high_c, intended).statement.values
        for nozzle_c in (high_c + 1, hold_c, hold_c + 60):
            check = judge_material(materials[polymer], nozzle_c, intended)
            assert check.statement.values["fumes"] == fumes
            assert "ventilate" in check.sentence and "maker's data" in check.sentence
    assert "fumes" not in judge_material(materials["PLA"], 300).statement.values


def test_a_polymer_like_pvc_is_held_sooner_and_its_gas_is_named(materials):
    pvc = replace(
        materials["PETG"],
        polymer="PVC",
        flow_c=170,
        nozzle_min_c=190,
        nozzle_max_c=205,
        overheated="hydrogen chloride",
    )
    states = {nozzle_c: judge_material(pvc, nozzle_c).state for nozzle_c in (169, 170, 205, 209, 210)}
    assert states == {169: HOLD, 170: CAUTION, 205: CLEAR, 209: CAUTION, 210: HOLD}
    assert says(judge_material(pvc, 260), "nozzle_far_above_window", fumes="hydrogen chloride")


def test_a_data_sheet_that_allows_less_heat_than_the_catalogue_comes_first(materials):
    low_flow = replace(materials["PC"], nozzle_min_c=230, nozzle_max_c=260)
    assert judge_material(low_flow, 230).state == CLEAR
    assert says(judge_material(low_flow, 229), "nozzle_too_cold_to_flow", flow_c=230)
