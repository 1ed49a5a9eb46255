"""Prints from a file: with their loadings, once, of several spools; a print is not edited. Parts with their stock."""

import io

import pytest

from maintenance.files.jobs import Jobs
from maintenance.files.parts import Parts
from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool
from maintenance.models import Job, Loading, PartKind, StockEntry
from maintenance.parts.wear_entries import in_stock
from spools.files.formats import read_file, write_csv
from spools.files.loading import FileRefused, load_file
from spools.inventory.ledger import remaining
from tests.maintenance.conftest import PRINT
from tests.spools.conftest import hours_ago, receive

HEADER = "printer,toolhead,spool,start,name,hours,mass_g,nozzle_c,bed_c,slot,stage,parts,good_parts\n"


def read(kind, text: str, **options):
    made = kind()
    return load_file(made, read_file(made, io.BytesIO(text.encode())), **options)


def faults(kind, text: str) -> list[tuple[int, str]]:
    with pytest.raises(FileRefused) as refused:
        read(kind, text)
    return [(line, column) for line, column, _ in refused.value.faults]


def row(spool, start, name="bracket", mass_g=40, rest="1,failed,4,2") -> str:
    return f"north,t0,{spool.code},{start.isoformat()},{name},2,{mass_g},205,55,{rest}\n"


def test_a_print_is_added_with_its_loading_and_is_there_once(shop, plain):
    text = HEADER + row(plain, hours_ago(50)) + row(plain, hours_ago(40), "clip", rest=",,,")
    looked = read(Jobs, text, preview=True)
    assert looked.counts["new"] == 2 and looked.changes[0].note and not Job.objects.exists()
    assert read(Jobs, text, expected=looked.digest).is_stored
    first, second = Job.objects.order_by("start")
    assert (first.stage, first.events.last().good_parts, second.stage) == ("failed", 2, "finished")
    assert remaining(plain).mass_g == pytest.approx(920) and Loading.objects.count() == 2
    assert read(Jobs, text).counts["same"] == 2
    assert read(Jobs, "".join(write_csv(Jobs()))).counts["same"] == 2
    assert faults(Jobs, HEADER + row(plain, hours_ago(50), mass_g=60)) == [(2, "mass_g")]
    # The same print with another start is known, and at the same time as another one refused.
    assert read(Jobs, HEADER + row(plain, hours_ago(49.9))).counts["same"] == 1
    assert faults(Jobs, HEADER + row(plain, hours_ago(49), "lamp", 400)) == [(2, "start")]


def test_a_print_of_several_spools_is_one(shop, plain, wet):
    shop.north.slots = 2
    shop.north.save()
    start = hours_ago(50)
    read(Jobs, HEADER + row(plain, start, rest="1,,,") + row(wet, start, mass_g=10, rest="2,,,"))
    assert {(use.spool, use.slot, use.mass_g) for use in Job.objects.get().uses.all()} == {
        (plain, 1, 40),
        (wet, 2, 10),
    }
    other = receive(plain.feedstock, shop.box, at=hours_ago(100))
    assert faults(Jobs, HEADER + row(plain, start, rest="1,,,") + row(other, start, rest="3,,,")) == [
        (3, "slot")
    ]


def test_bad_prints_name_their_cells(shop, plain):
    assert faults(Jobs, HEADER + row(plain, hours_ago(50)).replace("north", "east")) == [(2, "printer")]
    text = f"north,T9,{plain.code},2026-01-31,x,0,9999999,205,55,1.5,ended,,\n"
    assert faults(Jobs, HEADER + text) == [(2, "slot"), (2, "stage")]
    assert faults(Jobs, HEADER + row(plain, hours_ago(1))) == [(2, "hours")]
    assert faults(Jobs, HEADER + row(plain, hours_ago(50), mass_g=10**7)) == [(2, "mass_g")]


def test_a_running_print_is_finished_by_its_row(shop, plain):
    load_spool(shop.north, plain, at=hours_ago(30), override_reason="a test")
    job = record_job(
        toolhead=shop.north,
        spool=plain,
        start=hours_ago(3),
        stage="printing",
        override_reason="a test",
        **PRINT,
    )
    outcome = read(Jobs, HEADER + row(plain, job.start, PRINT["name"], 50, "1,finished,,"))
    job.refresh_from_db()
    assert outcome.counts["new"] == 1 and job.stage == "finished" and Job.objects.count() == 1


def test_parts_are_added_and_counted(shop):
    kind = PartKind.objects.get(name="brass 0.4")
    count = in_stock([kind]).get(kind.pk, 0)
    text = f"name,role,stock_unit,price,in_stock\nbrass 0.4,,,8.5,{count + 3}\nglue,adhesive,g,,250\n"
    outcome = read(Parts, text)
    assert outcome.counts["new"] == outcome.counts["changed"] == 1
    assert in_stock([kind])[kind.pk] == count + 3 and str(PartKind.objects.get(pk=kind.pk).price) == "8.50"
    assert StockEntry.objects.get(kind__name="glue").change == 250
    assert faults(Parts, "name,in_stock\nbrass 0.4,-1\nbrush,2\n") == [(2, "in_stock"), (3, "role")]
