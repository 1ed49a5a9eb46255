"""Services whose interval is over."""

from datetime import timedelta

import pytest

from maintenance.changes import SERVICE
from maintenance.models import Reminder, ServiceKind
from maintenance.reminders.conditions.service import OVERDUE_SHARE
from maintenance.reminders.links import link_of
from maintenance.reminders.sweep import sweep_subjects
from tests.spools.conftest import hours_ago


def test_a_service_is_urgent_a_quarter_over_its_interval(shop):
    look = ServiceKind.objects.create(
        **{"name": "look over", "work": "other", "subject": "printer", "unit": "days", "interval": 8},
        **{"advice": "Look.", "source": "invented for tests", "how": "memory"},
    )
    began = hours_ago(24 * 9)
    for printer in (shop.north.printer, shop.south.printer):
        look.entries.create(printer=printer, at=began)
    sweep_subjects([SERVICE])
    reminder = Reminder.objects.get(kind="service", printer=shop.north.printer)
    assert reminder.due_at == (began + timedelta(days=8)).replace(minute=0)
    assert (reminder.amount, reminder.amount_unit) == (pytest.approx(9, abs=0.01), "days")
    assert link_of(reminder)[0] == f"/machines/{shop.north.printer_id}/service/done/?kind={look.pk}"
    quarter = began + timedelta(days=8 * OVERDUE_SHARE)
    for off, presses in [(-timedelta(minutes=5), False), (timedelta(minutes=5), True)]:
        sweep_subjects([SERVICE], quarter + off)
        reminder.refresh_from_db()
        assert (reminder.urgent_since is not None) is presses
