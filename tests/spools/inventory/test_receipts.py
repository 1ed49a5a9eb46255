"""What was entered as a spool came was wrong, and is corrected."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from spools.drying.runs import DryingSettings, start_drying
from spools.facts import withdraw
from spools.inventory.assumptions import correct_reel
from spools.inventory.endings import end_spool
from spools.inventory.ledger import remaining, take, weigh
from spools.inventory.receipts import correct_receipt
from spools.inventory.receiving import NewSpool, receive_spool
from spools.models import Spool
from tests.refusals import refuses
from tests.spools.conftest import receive
from tests.spools.derived import derived, require_rebuilt_equal

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)
REEL = {"core_radius_mm": 50, "width_mm": 60, "core_mass_g": 226}


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(at(300), tick=False) as traveller:
        yield traveller


def test_a_corrected_receipt_is_as_one_that_was_right_at_once(nylon, pla, shelf):
    wrong = receive(pla, shelf, at=START, net_mass_g=1000)
    # The members of its ensemble follow from its code.
    Spool.objects.filter(pk=wrong.pk).update(code="JGFNKH")
    take(wrong, 100, at=at(40))
    before = derived([wrong], at(300))[wrong.pk]
    correct_receipt(wrong, feedstock=nylon, net_mass_g=750, reason="the wrong row")
    require_rebuilt_equal([wrong])
    corrected = derived([wrong], at(300))[wrong.pk]
    Spool.objects.filter(pk=wrong.pk).update(code="JGFNKX")
    right = receive(nylon, shelf, at=START, net_mass_g=750)
    take(right, 100, at=at(40))
    Spool.objects.filter(pk=right.pk).update(code="JGFNKH")
    assert corrected[:2] == derived([right], at(300))[right.pk][:2] != before[:2]
    row = wrong.corrections.get()
    assert [(name, after) for name, _, after in row.changes] == [
        ("feedstock", str(nylon)),
        ("net_mass_g", "750"),
    ]


def test_a_net_mass_that_was_entered_as_a_weighing(nylon, shelf):
    spool = receive(nylon, shelf, at=START, net_mass_g=None, gross_g=1010)
    correct_receipt(spool, net_mass_g=1000, gross_g=None, reason="it was the label's")
    assert remaining(spool).mass_g == 1000
    correct_receipt(spool, gross_g=1210, reason="weighed then, too")
    assert spool.mass_entries.valid().count() == 2
    require_rebuilt_equal([spool])


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ({"net_mass_g": None}, "mass_missing"),
        ({"net_mass_g": 1000}, "same_values"),
        ({"net_mass_g": 50}, "below_printed"),
        ({"net_mass_g": 1e6}, "out_of_range"),
    ],
)
def test_receipts_that_cannot_be(pla, shelf, values, code):
    spool = receive(pla, shelf, at=START)
    take(spool, 100, at=at(40))
    with refuses(code):
        correct_receipt(spool, **values, reason="a slip")
    assert spool.mass_entries.valid().count() == 2


def test_the_material_stays_while_it_dries(pla, nylon, shelf, dryer):
    spool = receive(nylon, shelf, at=START)
    start_drying([spool], dryer, DryingSettings(60), at=at(290))
    with refuses("in_a_dryer", "feedstock"):
        correct_receipt(spool, feedstock=pla, reason="a slip")


@pytest.mark.parametrize(
    ("masses", "code"),
    [
        ({"gross_g": 1000}, "net_as_gross"),
        ({"net_mass_g": 1226}, "gross_as_net"),
        ({"gross_g": 1226}, None),
        ({"net_mass_g": 1000}, None),
        ({"gross_g": 1476}, None),
        ({"net_mass_g": 730}, None),
    ],
)
def test_a_mass_that_looks_like_the_other_one_is_asked_about(pla, shelf, masses, code):
    if code is None:
        receive_spool(NewSpool(pla, **REEL, **masses), shelf)
        return
    with refuses(code):
        receive_spool(NewSpool(pla, **REEL, **masses), shelf)
    receive_spool(NewSpool(pla, **REEL, **masses, masses_confirmed=True), shelf)


def test_a_spool_that_never_came(pla, shelf):
    spool = receive(pla, shelf, at=START)
    before = derived([spool], at(300))
    weighing = weigh(spool, 1190, at=at(100))
    with refuses("facts_rest_on_it", "kind", names=["1 mass entry"]):
        end_spool(spool, kind="mistake")
    withdraw(weighing, reason="another spool")
    end_spool(spool, kind="mistake")
    withdraw(spool.endings.get(), reason="it is here")
    assert derived([spool], at(300)) == before


def test_a_corrected_reel_is_on_record(pla, shelf):
    spool = receive(pla, shelf, at=START)
    correct_reel(spool, core_mass_g=215, batch="B7")
    correct_reel(spool, batch="B7")
    assert [name for name, *_ in spool.corrections.get().changes] == ["batch", "core_mass_g"]
