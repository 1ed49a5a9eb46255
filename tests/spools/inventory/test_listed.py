"""A list of spools from a spreadsheet: read, looked through, received as a whole, faults by line."""

import io
from datetime import UTC, datetime

import pytest

from spools.codes import new_code
from spools.inventory.ledger import remaining
from spools.inventory.listed import ListRefused, receive_list
from spools.models import CoreKind, Feedstock, Filler, Spool
from tests.refusals import refuses
from tests.spools.conftest import polymer


@pytest.fixture
def catalogue(shelf, box):
    for name in ("PLA", "PA6"):
        polymer(name)
    CoreKind.objects.create(
        name="cardboard reel, 1 kg",
        material="cardboard",
        mass_g=175,
        mass_band_g=50,
        core_radius_mm=50,
        width_mm=60,
        net_mass_g=1000,
        source="invented for tests",
    )
    hardness = {"hardness_hv": 340, "hardness_low_hv": 310, "hardness_high_hv": 370}
    Filler.objects.create(name="carbon fibre", density_g_cm3=1.8, source="invented", how="memory", **hardness)


def read(text: str, **options):
    return receive_list(io.BytesIO(text.encode()), **options)


PASTED = (
    "Material\tMaker\tColour\tamount_g\topened_on\treceived_on\tPlace\tBatch\tPrice\tcode\tnotes\n"
    "pla\tExample Works\tgrey\t812,5 g\t2026-01-31\t2026-01-10\topen shelf\tB 7\t24,90\t\tmine\n"
    "\n"
    "PLA\tExample Works\tgrey\t\tsealed\t\tDry Box\t\t\t7KD4QM\t\n"
    "PA 6\t\t\t500\n"
)


def test_a_pasted_list_becomes_spools_with_their_feedstocks_places_and_days(catalogue, shelf, box):
    code = new_code()
    first, second, third = read(PASTED.replace("7KD4QM", code), place=box)
    assert (first.has_code, second.spool.code) == (False, code)
    assert (first.spool.feedstock, first.place, first.line) == (second.spool.feedstock, shelf, 2)
    assert remaining(first.spool).mass_g == pytest.approx(812.5) and first.spool.batch == "B 7"
    assert first.spool.received_at == datetime(2026, 1, 10, 11, tzinfo=UTC)  # noon in Berlin
    assert (
        first.spool.openings.get().at == datetime(2026, 1, 31, 11, tzinfo=UTC)
        and str(first.spool.price) == "24.90"
    )
    assert second.spool.sealed and not second.spool.openings.exists() and second.place == box
    assert "amount_g" in second.assumed and remaining(second.spool).mass_g == 1000
    assert not third.spool.sealed and third.assumed == ["opened_on", "reel"] and third.place == box
    assert third.spool.feedstock.polymer.name == "PA6"


def test_a_look_through_stores_nothing_and_finds_the_same(catalogue, box):
    listed = read("material;filler\nPA6;Carbon Fibre\n", place=box, preview=True)
    assert [row.spool.feedstock.filler_mass_fraction for row in listed] == [0.15] and "filler_pct" in listed[
        0
    ].assumed
    assert (Spool.objects.count(), Feedstock.objects.count()) == (0, 0)


@pytest.mark.parametrize(
    ("line", "column"),
    [
        ("PLB,,,,,", "material"),
        ('PLA,"1,000",,,,', "amount_g"),
        ("PLA,nan,,,,", "amount_g"),
        ("PLA,99999,,,,", "amount_g"),
        ("PLA,,31/01/2026,,,", "opened_on"),
        ("PLA,,2126-01-31,,,", "opened_on"),
        ("PLA,,,Cellar,,", "place"),
        ("PLA,,,,7KD4QN,", "code"),
        ("PLA,,,,,-1", "price"),
        ("PLA,,,,,1e99", "price"),
    ],
)
def test_a_fault_names_its_line_and_column_and_refuses_all(catalogue, shelf, line, column):
    text = "material,amount_g,opened_on,place,code,price\nPLA,1000,,,,\n" + line + "\nPLA,x,,,,\n"
    with pytest.raises(ListRefused) as refused:
        read(text, place=shelf)
    assert (Spool.objects.count(), Feedstock.objects.count()) == (0, 0)
    faults = [(number, name) for number, name, _ in refused.value.faults]
    assert (4, "amount_g") in faults
    assert (3, column) in faults


def test_one_code_is_given_once_and_a_product_has_one_material(catalogue, shelf):
    code = new_code()
    with pytest.raises(ListRefused) as refused:
        read(f"material,product,code\nPLA,Basic,{code}\nPA6,Basic,\nPLA,Basic,{code}\n", place=shelf)
    assert [(line, column) for line, column, _ in refused.value.faults] == [(3, "material"), (4, "code")]


def test_a_table_that_is_none_is_refused_as_a_whole(catalogue, monkeypatch):
    for text, code in (("", "file_empty"), ("maker\nX\n", "column_missing"), ("material\n", "no_spools")):
        with refuses(code):
            read(text)
    with pytest.raises(ListRefused):
        read("material\nPLA\n")
    monkeypatch.setattr("spools.inventory.listed.MOST_SPOOLS", 2)
    with refuses("list_too_long"):
        read("material\n" + "PLA\n" * 3)
