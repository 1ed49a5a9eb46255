"""The catalogue against the files it is loaded from: nothing lost, nothing without a source."""

import csv
from pathlib import Path

import pytest
from django.conf import settings
from django.core.management import call_command
from django.db import models, transaction

from maintenance.models import PartKind
from spools.catalogue.sources import NO_SOURCE
from spools.catalogue.values import UNITS, filler_volume_fraction, material_values, properties
from spools.models import CoreKind, Feedstock, Filler, Maker, Polymer, Source

# Edges of bands and ranges have no sources of their own.
SOURCED_WITH = {
    "w50_low": "w50_pct",
    "w50_high": "w50_pct",
    "d23_low": "d23_m2_s",
    "d23_high": "d23_m2_s",
    "e_d_low": "e_d_kj_mol",
    "e_d_high": "e_d_kj_mol",
    "gab_c": "isotherm",
    "gab_k": "isotherm",
    "nozzle_max_c": "nozzle_min_c",
    "bed_max_c": "bed_min_c",
}
FIXTURES = Path(settings.BASE_DIR) / "fixtures"


@pytest.fixture(scope="module")
def loaded_once(django_db_setup, django_db_blocker):
    """The catalogue, loaded for all tests here and rolled back after them."""
    with django_db_blocker.unblock(), transaction.atomic():
        call_command("load_catalogue", verbosity=0)
        yield
        transaction.set_rollback(True)


@pytest.fixture
def loaded(loaded_once, db):
    """The loaded catalogue; what a test changes in it is undone."""


def rows(name: str) -> list[dict[str, str]]:
    with (FIXTURES / name).open(newline="") as file:
        return list(csv.DictReader(file))


def feedstock(polymer: str, filler: str | None = None, **values) -> Feedstock:
    maker = Maker.objects.get_or_create(name="Example Works")[0]
    return Feedstock.objects.create(
        maker=maker,
        polymer=Polymer.objects.get(name=polymer),
        filler=Filler.objects.get(name=filler) if filler else None,
        name=f"{polymer} {filler}",
        **values,
    )


def everything() -> dict[str, list[dict]]:
    tables = (Polymer, Source, Filler, CoreKind, PartKind, Maker, Feedstock)
    return {
        table.__name__: [
            {key: value for key, value in row.items() if (table, key) != (Source, "id")}
            for row in table.objects.order_by("pk").values()
        ]
        for table in tables
    }


def test_every_cell_of_the_polymers_file_is_loaded(loaded):
    assert Polymer.objects.count() == 29
    for row in rows("reference/polymers.csv"):
        polymer = Polymer.objects.get(name=row.pop("polymer"))
        for column, text in row.items():
            stored = getattr(polymer, column)
            expected = float(text) if text and isinstance(stored, float) else text or None
            assert stored == expected, (polymer, column)


def test_gab_shape_goes_to_the_polymers_with_that_isotherm(loaded):
    # fixtures/reference/sorption_values.csv, PA6 GAB fit: C 4.60, k 0.768; PA66 and PA6/66 by analogy.
    gab = Polymer.objects.filter(isotherm="gab")
    assert {polymer.name for polymer in gab} == {"PA6", "PA66", "PA6/66"}
    assert {(polymer.gab_c, polymer.gab_k) for polymer in gab} == {(4.60, 0.768)}
    assert not Polymer.objects.exclude(isotherm="gab").exclude(gab_c=None, gab_k=None).exists()


def test_every_number_of_every_polymer_has_a_source(loaded):
    columns = [field.name for field in Polymer._meta.fields if isinstance(field, models.FloatField)]
    assert len(columns) > 20
    for polymer in Polymer.objects.prefetch_related("sources"):
        backed = {source.field for source in polymer.sources.all()}
        for column in columns:
            if getattr(polymer, column) is not None:
                assert SOURCED_WITH.get(column, column) in backed, (polymer, column)


def test_every_source_states_its_basis_and_fits_its_columns(loaded):
    for source in Source.objects.all():
        assert source.source and source.how and source.value
        source.full_clean()


@pytest.mark.parametrize("model", [Filler, CoreKind, PartKind])
def test_rows_of_our_own_files_are_possible_and_have_sources(loaded, model):
    for row in model.objects.all():
        row.full_clean()
        assert row.source


def test_print_limits_are_called_practice_except_where_measured(loaded):
    # fixtures/reference/README.md: only nylon and ABS have a published link between moisture and quality.
    for field in ("limit_clear_pct", "limit_hold_pct"):
        published = Source.objects.filter(field=field, how="published").values_list(
            "polymer__name", flat=True
        )
        assert set(published) == {"PA6", "ABS"}
        practice = Source.objects.filter(field=field, source=NO_SOURCE)
        assert practice.count() == 26
        assert set(practice.values_list("how", flat=True)) == {"memory"}
        analogy = Source.objects.filter(field=field, how="analogy").values_list("polymer__name", flat=True)
        assert set(analogy) == {"PA66", "PA6/66"}


@pytest.mark.parametrize(
    ("polymer", "field", "subject", "value"),
    [
        ("PA6", "w50_pct", "PA6-CF20", "3.3"),
        ("PA6", "limit_hold_pct", "Nylon filament", "0.5 ; 0.75"),
        ("PA6/66", "tm_c", "PA66/6 copolymer (66-rich)", ">215"),
        ("PC", "d23_m2_s", "PC", "6.8e-12"),
        ("ABS", "e_d_kj_mol", "MABS", "43.5"),
        ("PETG", "dry_cap_c", "PETG-type copolyester", "65"),
        ("PVA", "softening_c", "PVA", "-34"),
        ("ASA", "nozzle_min_c", "ASA", "240-260 / 90-110, enclosure"),
        ("ASA", "bed_min_c", "ASA", "240-260 / 90-110, enclosure"),
        ("HIPS", "saturation_pct", "PPE/HIPS", "0.07"),
        ("PLA crystallised", "e_d_kj_mol", "PLA", "38 ; 36"),
    ],
)
def test_rows_of_the_reference_files_stand_behind_the_numbers(loaded, polymer, field, subject, value):
    assert Source.objects.filter(polymer__name=polymer, field=field, subject=subject, value=value).exists()


@pytest.mark.parametrize(
    ("polymer", "subject"),
    [("PA66", "PA6"), ("PA6", "PA6/66"), ("PC", "PC-ABS"), ("ABS", "ABS spool"), ("PP", "PPS")],
)
def test_rows_of_a_neighbour_do_not(loaded, polymer, subject):
    assert not Source.objects.filter(polymer__name=polymer, subject=subject).exists()


def test_limits_of_reels_are_no_drying_temperatures(loaded):
    assert not Source.objects.filter(quantity="T_spool cap").exclude(field="").exists()


@pytest.mark.parametrize("restore", [False, True])
def test_loading_again_changes_nothing(loaded, restore):
    feedstock("PA6", "carbon fibre", filler_mass_fraction=0.2, w50_pct=1.9)
    before = everything()
    call_command("load_catalogue", restore=restore, verbosity=0)
    assert everything() == before


@pytest.fixture
def corrected(loaded):
    """A shop that changed what the catalogue says, and has a feedstock and a source of its own."""
    pa6 = Polymer.objects.get(name="PA6")
    Polymer.objects.filter(pk=pa6.pk).update(limit_hold_pct=0.6)
    PartKind.objects.filter(name="brass nozzle 0.4 mm").update(price=4, reorder_point=7, life=0.3)
    Source.objects.create(
        polymer=pa6, subject="PA6", quantity="seen here", value="1", source="us", how="ours"
    )
    return feedstock("PA6", limit_hold_pct=0.4)


def test_corrections_of_the_shop_stay(corrected):
    before = everything()
    Polymer.objects.filter(name="PEI").delete()
    call_command("load_catalogue", verbosity=0)
    assert Polymer.objects.get(name="PEI").sources.exists()
    after = everything()
    for name in ("Feedstock", "PartKind", "Filler", "CoreKind"):
        assert after[name] == before[name]
    pa6 = Polymer.objects.get(name="PA6")
    assert pa6.limit_hold_pct == 0.6
    assert pa6.sources.filter(how="ours").exists()


def test_restoring_brings_the_files_values_back_and_leaves_the_shops_own(corrected):
    call_command("load_catalogue", restore=True, verbosity=0)
    corrected.refresh_from_db()
    assert corrected.limit_hold_pct == 0.4
    assert corrected.polymer.limit_hold_pct == 0.75
    assert not corrected.polymer.sources.filter(how="ours").exists()
    kind = PartKind.objects.get(name="brass nozzle 0.4 mm")
    assert (kind.price, kind.reorder_point, kind.life) == (4, 7, 0.17)


def test_the_command_reports_its_changes(loaded, capsys):
    Polymer.objects.all().delete()
    for arguments, says in (([], "29 polymers"), ([], "0 polymers"), (["--restore"], "29 polymers")):
        call_command("load_catalogue", *arguments)
        assert capsys.readouterr().out.startswith(f"{says}, ")


def test_plain_feedstock_has_the_polymers_numbers_with_their_grades(loaded):
    known = properties(feedstock("PA6"))
    assert set(known) == set(UNITS)
    w50 = known["w50_pct"]
    assert (w50.value, w50.low, w50.high) == pytest.approx((2.8, 2.2, 3.3))
    assert (w50.unit, w50.origin, w50.grade) == ("%", "catalogue", "B")
    assert known["softening_c"].basis == "Vicat B50"
    assert known["limit_hold_pct"].basis == "one dryer maker's test, not independent"


def test_numbers_that_nobody_knows_are_left_out(loaded):
    pva = feedstock("PVA")
    assert "moulding_limit_pct" not in properties(pva)
    assert material_values(pva).moulding_limit_pct is None


def test_the_data_sheet_comes_first_and_takes_the_band_with_it(loaded):
    own_row = feedstock(
        "PA6", "carbon fibre", filler_mass_fraction=0.2, w50_pct=1.4, data_sheet="Sheet of May"
    )
    w50 = properties(own_row)["w50_pct"]
    assert (w50.value, w50.low, w50.high) == pytest.approx((1.4, 1.1, 1.65))
    assert (w50.origin, w50.basis, w50.grade) == ("data sheet", "Sheet of May", "")


def test_only_the_matrix_of_a_filled_feedstock_takes_up_water(loaded):
    # sorption_values.csv, PA6-CF / GF: uptake times the matrix mass fraction.
    w50 = properties(feedstock("PA6", "carbon fibre", filler_mass_fraction=0.2))["w50_pct"]
    assert (w50.value, w50.low, w50.high) == pytest.approx((2.24, 1.76, 2.64))
    assert "carbon fibre" in w50.basis


@pytest.mark.parametrize(
    ("polymer", "filler", "mass_fraction", "volume_fraction"),
    [
        # wear_values.csv, filler volume fraction; three printed decimals.
        ("PA6", "glass fibre", 0.30, 0.160),
        ("PA6", "glass fibre", 0.15, 0.073),
        ("PA6", "carbon fibre", 0.20, 0.136),
        ("PLA", "carbon fibre", 0.15, 0.108),
        ("PLA", "glow pigment", 0.15, 0.058),
        ("PLA", "stainless steel powder", 0.80, 0.386),
        ("PLA", "titanium dioxide", 0.02, 0.006),
    ],
)
def test_volume_fraction_against_the_published_table(loaded, polymer, filler, mass_fraction, volume_fraction):
    filled = feedstock(polymer, filler, filler_mass_fraction=mass_fraction)
    assert filler_volume_fraction(filled) == pytest.approx(volume_fraction, abs=6e-4)


@pytest.mark.parametrize(
    ("filler", "mass_fraction", "density"), [("glass fibre", 0.30, 1.36), ("carbon fibre", 0.20, 1.20)]
)
def test_density_of_a_filled_feedstock(loaded, filler, mass_fraction, density):
    # wear_values.csv, sliding distance: PA6-GF30 1.36, PA6-CF20 1.20 g/cm³, textbook-type values.
    filled = feedstock("PA6", filler, filler_mass_fraction=mass_fraction)
    assert material_values(filled).density_g_cm3 == pytest.approx(density, rel=0.025)


def test_an_unfilled_feedstock_has_no_filler_volume(loaded):
    assert filler_volume_fraction(feedstock("PLA")) == 0


def test_properties_ask_the_database_nothing_more(loaded, django_assert_num_queries):
    own_row = feedstock("PA6", "carbon fibre", filler_mass_fraction=0.2)
    found = Feedstock.objects.select_related("polymer", "filler", "maker").get(pk=own_row.pk)
    with django_assert_num_queries(0):
        properties(found)
        filler_volume_fraction(found)


def test_lives_of_brass_nozzles_follow_from_the_one_published_figure(loaded):
    # wear_values.csv: 0.25 kg of carbon-fibre filament; PLA-CF15 has 0.108 by volume; s = 4 m / (rho pi d²).
    density = 0.108 * 1.8 + 0.892 * 1.24
    slid_km = 4 * 0.25 / (density * 3.14159 * 0.4**2)
    life = PartKind.objects.get(name="brass nozzle 0.4 mm")
    assert life.life == pytest.approx(slid_km * 0.108, rel=0.05)
    assert life.life_low < slid_km * 0.108 < life.life_high


def test_harder_nozzles_last_longer_and_their_bands_are_wide(loaded):
    nozzles = PartKind.objects.filter(role="nozzle", bore_mm=0.4).order_by("hardness_hv", "life")
    lives = [nozzle.life for nozzle in nozzles]
    assert len(lives) == 6 and lives == sorted(lives)
    for nozzle in nozzles:
        assert nozzle.life_high / nozzle.life_low > 8
