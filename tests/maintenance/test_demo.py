"""The demo shop: built through the functions of the shop itself, it must show every state at once."""

from itertools import product

import pytest
from django.core.management import CommandError, call_command
from django.db import transaction

from maintenance.models import Job, Reminder, Toolhead
from maintenance.readiness.builder import verdicts
from maintenance.today import build_today
from spools import codes
from spools.air.climate import climates_now
from spools.drying.gate import open_runs
from spools.drying.loss import loss_on_drying
from spools.inventory import ledger
from spools.models import DryingRun, Place, Spool


@pytest.fixture(scope="module")
def demo(django_db_setup, django_db_blocker):
    """Built once for all tests here, and rolled back after them."""
    with django_db_blocker.unblock(), transaction.atomic():
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
