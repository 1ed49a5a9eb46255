"""Files read in: what they would change, what they store, and the faults of their lines."""

import io
import json
from datetime import UTC, datetime

import pytest

from spools.codes import new_code
from spools.files.feedstocks import Feedstocks
from spools.files.formats import read_file, write_csv, write_json
from spools.files.loading import CHANGED, NEW, SAME, FileRefused, ShopChanged, load_file
from spools.files.places import Places
from spools.files.readings import Readings
from spools.files.spools import Spools
from spools.inventory.ledger import remaining
from spools.models import CoreKind, Feedstock, Filler, Place, Reading, Spool, SpoolCorrection
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


def read(kind, content: str | bytes, place=None, **options):
    made = kind(place=place)
    data = content.encode() if isinstance(content, str) else content
    return load_file(made, read_file(made, io.BytesIO(data)), **options)


def faults(kind, content: str | bytes, place=None) -> list[tuple[int, str]]:
    with pytest.raises(FileRefused) as refused:
        read(kind, content, place)
    return [(line, column) for line, column, _ in refused.value.faults]


PASTED = (
    "Material\tMaker\tColour\tamount_g\topened_on\treceived_on\tPlace\tBatch\tPrice\tcode\tnotes\n"
    "pla\tExample Works\tgrey\t812,5 g\t2026-01-31\t2026-01-10\topen shelf\tB 7\t24,90\t\tmine\n"
    "\n"
    "PLA\tExample Works\tgrey\t\tsealed\t\tDry Box\t\t\t7KD4QM\t\n"
    "PA 6\t\t\t500\n"
)


def test_a_pasted_list_becomes_spools_with_their_feedstocks_places_and_days(catalogue, shelf, box):
    code = new_code()
    outcome = read(Spools, PASTED.replace("7KD4QM", code), place=box)
    first, second, third = (change.row for change in outcome.changes)
    assert [change.line for change in outcome.changes] == [2, 4, 5] and outcome.ignored == ["notes"]
    assert second.code == code and first.feedstock == second.feedstock
    assert [spool.moves.get().place for spool in (first, second, third)] == [shelf, box, box]
    assert remaining(first).mass_g == pytest.approx(812.5) and first.batch == "B 7"
    assert first.received_at == datetime(2026, 1, 10, 11, tzinfo=UTC)  # noon in Berlin
    assert first.openings.get().at == datetime(2026, 1, 31, 11, tzinfo=UTC) and str(first.price) == "24.90"
    assert second.sealed and not second.openings.exists() and remaining(second).mass_g == 1000
    assert "amount_g" in outcome.changes[1].assumed
    assert not third.sealed and outcome.changes[2].assumed == ["opened_on", "reel"]
    assert third.feedstock.polymer.name == "PA6"


def test_a_look_through_stores_nothing_and_its_digest_stores_just_that(catalogue, shelf, box):
    text = "material;filler\nPA6;Carbon Fibre\n"
    looked = read(Spools, text, place=box, preview=True)
    assert looked.counts == {NEW: 1, CHANGED: 0, SAME: 0} and "filler_pct" in looked.changes[0].assumed
    assert (Spool.objects.count(), Feedstock.objects.count()) == (0, 0)
    stored = read(Spools, text, place=box, expected=looked.digest)
    assert stored.digest == looked.digest and Spool.objects.get().feedstock.filler_mass_fraction == 0.15
    # Its feedstock is there by now: that is another change than was shown.
    with pytest.raises(ShopChanged) as changed:
        read(Spools, text, place=box, expected=looked.digest)
    assert changed.value.outcome.digest != looked.digest and Spool.objects.count() == 1


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
    text = "material,amount_g,opened_on,place,code,price\nPLA,1000,,,,\n" + line + "\nPLB,x,,,,\n"
    assert faults(Spools, text, shelf) == [(3, column), (4, "material"), (4, "amount_g")]
    assert (Spool.objects.count(), Feedstock.objects.count()) == (0, 0)


def test_a_code_and_a_name_stand_in_one_line_and_a_product_has_one_material(catalogue, shelf):
    code = new_code()
    text = f"material,product,code\nPLA,Basic,{code}\nPA6,Basic,\nPLA,Basic,{code}\n"
    assert faults(Spools, text, shelf) == [(3, "material"), (4, "code")]
    assert faults(Places, "name,kind\nLoft,shelf\nloft,shelf\n") == [(3, "name")]
    assert faults(Places, "name,kind\n,shelf\nLoft,\n") == [(2, "name"), (3, "kind")]


def test_the_first_hundred_faults_are_named(shelf):
    assert len(faults(Places, "name,kind\n" + "Loft,attic\n" * 300)) == 100


def test_rows_that_are_there_are_edited_by_their_acts_and_empty_cells_change_nothing(catalogue, shelf, box):
    spool = (
        read(Spools, "material,colour,amount_g,opened_on,received_on\nPLA,red,900,sealed,2026-01-10\n", shelf)
        .changes[0]
        .row
    )
    text = f"code,colour,amount_g,width_mm,place,price,batch\n{spool.code},blue,950,,dry box,20,B 1\n"
    (change,) = read(Spools, text).changes
    assert [column for column, _, _ in change.differences] == [
        "colour",
        "amount_g",
        "place",
        "batch",
        "price",
    ]
    spool.refresh_from_db()
    assert (spool.feedstock.colour, spool.batch, str(spool.price)) == ("blue", "B 1", "20.00")
    assert remaining(spool).mass_g == 950 and spool.moves.last().place == box
    assert SpoolCorrection.objects.filter(spool=spool).count() == 2
    assert {change.result for change in read(Spools, text).changes} == {SAME}
    assert faults(Spools, f"code,received_on\n{spool.code},2020-01-01\n") == [(2, "received_on")]
    read(Spools, f"code,opened_on\n{spool.code},31.01.2026\n")
    assert spool.openings.count() == 1


def test_places_come_in_any_order_and_go_out_of_use_and_back(shelf):
    text = "name,kind,room,in_use,film\nBags,bag,Box,true,zip\nBox,dry_box,open shelf,true,\nLoft,shelf,,false,\n"
    assert read(Places, text).counts[NEW] == 3
    assert Place.objects.get(name="Bags").room.name == "Box" and Place.objects.get(name="Loft").retired_at
    outcome = read(Places, "name,in_use,assumed_rh_pct\nLOFT,yes,61\nBox,,30\n")
    assert [change.differences for change in outcome.changes] == [
        [("assumed_rh_pct", "50", "61"), ("in_use", "false", "true")],
        [("assumed_rh_pct", "50", "30")],
    ]
    loft = Place.objects.get(name="Loft")
    assert loft.retired_at is None and loft.assumed_rh_pct == 61 and loft.version > 1
    assert faults(Places, "name,kind\nLoft,bag\nPress,printer\n") == [(2, "kind"), (3, "kind")]


def test_names_that_differ_by_case_and_dashes_alone_stay_apart(shelf):
    for name in ("Box 1", "Box-1", "box 1"):
        Place.objects.create(name=name, kind="shelf", room=shelf)
    out = "".join(write_csv(Places()))
    assert read(Places, out).counts == {NEW: 0, CHANGED: 0, SAME: 4}
    read(Places, "name,assumed_rh_pct\nbox 1,11\nBox 1,12\nBOX-1,13\n")
    found = dict(Place.objects.values_list("name", "assumed_rh_pct"))
    assert found["box 1"] == 11 and found["Box 1"] == 12 and found["Box-1"] == 13
    assert faults(Places, "name,assumed_rh_pct\nBOX 1,11\n") == [(2, "name")]
    row = ",2026-01-31T08:00Z,21,40\n"
    text = "place,time,temperature_c,rh_pct\n" + "".join(name + row for name in found)
    assert read(Readings, text).counts[NEW] == 4
    assert [column for _, column in faults(Readings, text.replace("Box-1", "BOX1"))] == ["place"]


def test_a_reading_is_added_once_corrected_and_left_withdrawn(shelf):
    header, row = "place,time,temperature_c,rh_pct\n", "Open shelf,2026-01-31T08:00Z,21,{}\n"
    text = header + row.format(40) + "Open shelf,2026-01-31T09:00Z,21,41\n"
    assert read(Readings, text).counts == {NEW: 2, CHANGED: 0, SAME: 0}
    assert read(Readings, text).counts == {NEW: 0, CHANGED: 0, SAME: 2}
    assert read(Readings, header + row.format(45)).counts[CHANGED] == 1
    assert sorted(Reading.objects.values_list("rh_pct", flat=True)) == [41, 45]
    Reading.objects.update(origin=Reading.Origin.API)
    assert faults(Readings, header + row.format(50) + row.format(101)) == [(2, ""), (3, "rh_pct")]


def test_texts_that_a_spreadsheet_would_compute_come_back_as_they_were(catalogue):
    texts = ["=1+1", "-soft", "+", "@home", "'=quoted", "''-", "it's", '"quoted", and more']
    rows = [{"maker": "Example", "product": text, "material": "PLA", "colour": text} for text in texts]
    read(Feedstocks, json.dumps(rows))
    out = "".join(write_csv(Feedstocks(), for_spreadsheet=True))
    assert "'=1+1" in out and "''=quoted" in out and out.startswith("\ufeff")
    assert read(Feedstocks, out).counts[SAME] == len(texts)
    assert read(Feedstocks, "".join(write_json(Feedstocks()))).counts[SAME] == len(texts)
    assert set(Feedstock.objects.values_list("name", flat=True)) == set(texts)


@pytest.mark.parametrize(
    ("content", "code"),
    [
        ("", "file_empty"),
        ("colour\nX\n", "column_missing"),
        ("name,kind\n", "no_rows"),
        ("name,kind,Name\nX,shelf,Y\n", "column_twice"),
        (b"\xff\xfen\0a\0", "not_text"),
        (b"name,kind\nA\0B,shelf\n", "not_text"),
        ('name,kind\n"A,shelf\n', "not_csv"),
        ("{", "not_json"),
        ("[" * 100_000, "not_json"),
        ('[{"name": NaN}]', "not_json"),
        ('{"rows": 1}', "rows_missing"),
        ('{"kind": "spools", "rows": []}', "other_kind"),
        ("[1]", "not_a_row"),
        ('[{"name": ["A"]}]', "not_a_cell"),
        ('[{"name": "\\ud800"}]', "not_a_cell"),
        ('[{"name": "A\\u0000"}]', "not_a_cell"),
        ('[{"name": "A", "name": "B"}]', "column_twice"),
        (b"name\n" + b"A" * 11 * 2**20, "file_too_large"),
    ],
)
def test_a_file_that_is_none_is_refused_as_a_whole(db, content, code):
    with refuses(code, "file") if code == "file_too_large" else refuses(code):
        read(Places, content)


def test_a_file_makes_so_many_changes_at_most(catalogue, shelf, monkeypatch):
    monkeypatch.setattr(Spools, "most_changes", 2)
    with refuses("too_many_changes"):
        read(Spools, "material\n" + "PLA\n" * 3, shelf)
    assert not Spool.objects.exists() and faults(Spools, "material\nPLA\n") == [(2, "place")]
    monkeypatch.setattr("spools.files.loading.MOST_LINES", 2)
    with refuses("too_many_rows"):
        read(Spools, "material\n" + "PLA\n" * 3, shelf)
