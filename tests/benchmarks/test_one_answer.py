"""Every surface gives the advice of the board, and a surface with an answer of its own is found."""

from random import Random

import pytest
from django.core.management import call_command
from django.db import transaction

from benchmarks.one_answer import build_shop, compare_surfaces
from maintenance.models import Reminder
from spools.statements import Statement

pytestmark = pytest.mark.django_db


def test_all_surfaces_give_one_advice_and_one_with_an_answer_of_its_own_is_found(monkeypatch):
    call_command("load_catalogue", verbosity=0)
    build_shop(Random(3))
    with transaction.atomic():
        count, differences = compare_surfaces()
        assert count > 20 and differences == []
        transaction.set_rollback(True)
    monkeypatch.setattr(
        "maintenance.reminders.conditions.moisture.Reminder",
        lambda **values: Reminder(**values | {"remedy": Statement("advice.no_dryer", {"target_pct": 1.0})}),
    )
    _, differences = compare_surfaces()
    assert differences and all("on its reminder" in difference for difference in differences)
