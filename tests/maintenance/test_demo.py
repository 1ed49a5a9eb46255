"""The demo shop: built through the functions of the shop itself, it must show every state at once."""

import csv
import io
import json
from itertools import product

import pytest
import time_machine
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import transaction

from maintenance.files.kinds import KINDS
from maintenance.models import Job, Printer, Reminder, Toolhead
from maintenance.readiness.builder import verdicts
from maintenance.today import build_today
from spools import codes
from spools.air.climate import climates_now
from spools.drying.gate import open_runs
from spools.drying.loss import loss_on_drying
from spools.files.columns import Use
from spools.files.formats import read_file, write_csv, write_json
from spools.files.loading import SAME, load_file
from spools.inventory import ledger
from spools.models import DryingRun, Place, Spool
from tests.conftest import START


@pytest.fixture(scope="module")
def demo(django_db_setup, django_db_blocker):
    """Built once for all tests here, and rolled back after them."""
    # At the time at which the tests of a run begin, as a fixture of a module comes before that.
    with django_db_blocker.unblock(), transaction.atomic():
        with time_machine.travel(START, tick=True):
            call_command("load_catalogue", verbosity=0)
            call_command("load_demo", verbosity=0)
        yield
        transaction.set_rollback(True)


@pytest.fixture
def shop(demo, db):
    """The demo shop; what a test changes in it is undone."""


def test_a_shop_with_many_materials_three_printers_and_two_dryers(shop):
    polymers = set(Spool.objects.values_list("feedstock__polymer__name", flat=True))
    assert {"PLA", "PETG", "PA6", "PA12", "TPU 95A", "ABS", "ASA", "PC", "PVA"} <= polymers
    assert Spool.objects.count() == 15
    assert Spool.objects.exclude(feedstock__filler=None).exists()
    assert Toolhead.objects.count() == 3
    limits = Place.objects.filter(kind="dryer").values_list("max_set_point_c", flat=True)
    assert len(set(limits)) == 2
    measured = Place.objects.filter(name__in=["Shelf", "Dry box"])
    assert [climate.origin for climate in climates_now(measured).values()] == ["reading"] * 2


def test_its_labels_are_codes(shop):
    for code in Spool.objects.values_list("code", flat=True):
        assert codes.issuable(codes.normalise(code))


def test_it_shows_every_state(shop):
    live = Spool.objects.filter(ended_at=None)
    pairs = list(product(Toolhead.objects.all(), live))
    states = {verdict.state for verdict in verdicts(pairs, None).values()}
    assert states == {"clear", "caution", "hold"}


def test_today_has_materials_ready_and_materials_that_drying_makes_ready(shop):
    board = build_today()
    assert {row.verdict.state for row in board.ready} >= {"clear", "caution"}
    assert board.later


def test_something_of_each_kind_is_due(shop):
    due = set(Reminder.objects.filter(ended_at=None).values_list("kind", flat=True))
    # No dryer of the demo stands between two stages.
    assert due == set(Reminder.Kind.values) - {Reminder.Kind.DRYER_UP}


def test_flow_checks_show_gears_that_lose_their_grip(shop):
    chart = Reminder.objects.get(kind="flow_chart", ended_at=None)
    values = chart.reason.values
    assert (values["part"], values["toolhead"]) == ("drive gears of unknown metal", "North T0")
    assert chart.reason.code == "reminder.flow_loss_rises"
    check = Reminder.objects.get(kind="flow_check", ended_at=None)
    assert check.toolhead.printer.name == "Bench" and check.reason.values["roles"] == ["gears"]


def test_drying_runs_finished_and_under_way(shop):
    finished = DryingRun.objects.get(end__isnull=False, after__isnull=False)
    loss = loss_on_drying(finished)
    assert loss is not None and 0 < loss.mass_g < 30
    assert open_runs().count() == 2


def test_jobs_were_printed_and_one_of_them_against_the_advice(shop):
    assert Job.objects.count() > 8
    assert Job.objects.filter(state="hold").exclude(override_reason="").count() == 1
    assert Job.objects.filter(state="clear").count() > 3


def test_every_spool_in_use_holds_a_known_amount(shop):
    live = list(Spool.objects.filter(ended_at=None))
    assert len(live) == 14
    for amount in ledger.remaining_by_spool(live).values():
        assert 0 < amount.low_g < amount.mass_g < amount.high_g


def test_it_is_not_loaded_into_a_shop_that_has_spools(shop):
    with pytest.raises(CommandError, match="spools in this database already"):
        call_command("load_demo")
    call_command("load_demo", if_empty=True)
    assert Spool.objects.count() == 15


# Its files

# Not of files: machines, and the catalogue that each shop has.
KEPT = {"Printer", "Toolhead", "Polymer", "Filler", "CoreKind", "Source", "ReferenceValue"}


def write(kind: str, style: str = "csv") -> str:
    writer = write_csv if style == "csv" else write_json
    return "".join(writer(KINDS[kind]()))


def read(kind: str, text: str, **options):
    made = KINDS[kind](by=options.pop("by", None), place=options.pop("place", None))
    return load_file(made, read_file(made, io.BytesIO(text.encode())), **options)


def complete(kind: str, text: str) -> list[dict[str, str]]:
    names = [column.name for column in KINDS[kind].columns if column.is_complete]
    return [{name: row[name] for name in names if name in row} for row in csv.DictReader(io.StringIO(text))]


def empty_shop() -> None:
    """All rows but the machines and the catalogue; a constraint that this breaks is not checked before the end."""
    for label in ("spools", "maintenance"):
        for model in apps.get_app_config(label).get_models():
            if model.__name__ in KEPT:
                continue
            rows = model._base_manager.all()
            if model is Place:
                rows = rows.exclude(kind=Place.Kind.PRINTER)
            rows._raw_delete("default")
    Place.objects.update(room=None)


@pytest.mark.parametrize("style", ["csv", "json"])
@pytest.mark.parametrize("kind", KINDS)
def test_a_file_read_into_its_own_shop_changes_nothing(shop, kind, style):
    text = write(kind, style)
    outcome = read(kind, text)
    assert len(outcome.changes) >= 3 and {change.result for change in outcome.changes} == {SAME}
    assert outcome.ignored == [] and write(kind, style) == text


def test_the_files_of_a_shop_make_an_empty_shop_the_same(shop):
    files = {kind: write(kind) for kind in KINDS}
    empty_shop()
    assert Printer.objects.exists() and Toolhead.objects.exists()
    for kind, text in files.items():
        read(kind, text)
        assert complete(kind, write(kind)) == complete(kind, text), kind
    # Prints took their grams and the places stand in their rooms: nothing of the first files changed.
    for kind, text in files.items():
        assert complete(kind, write(kind)) == complete(kind, text), kind


def test_json_has_numbers_truths_and_nothing(shop):
    rows = json.loads(write("places", "json"))["rows"]
    dryer = next(row for row in rows if row["kind"] == "dryer")
    assert isinstance(dryer["max_set_point_c"], float) and dryer["in_use"] is True and dryer["film"] is None
    assert [column.name for column in KINDS["places"].columns if column.use != Use.READ] == [*dryer]
