"""What follows from facts is swept after their commit, once, and never at their expense."""

import pytest
from django.db import transaction

from maintenance.changes import PARTS, STOCK, facts_changed, facts_committed

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def swept():
    """The subjects of each signal."""
    observed: list[set[str]] = []

    def receive(subjects: frozenset[str], **_: object) -> None:
        observed.append(set(subjects))

    facts_committed.connect(receive)
    yield observed
    facts_committed.disconnect(receive)


def test_all_reports_of_a_transaction_are_one_sweep_after_its_commit(swept):
    with transaction.atomic():
        facts_changed(PARTS)
        facts_changed(STOCK)
        assert swept == []
    # At least these: other transactions of this thread may have been rolled back.
    assert len(swept) == 1 and swept[0] >= {PARTS, STOCK}


def test_a_rollback_sweeps_nothing(swept):
    with pytest.raises(ZeroDivisionError), transaction.atomic():
        facts_changed(PARTS)
        raise ZeroDivisionError
    assert swept == []


def test_a_sweep_that_fails_is_logged_and_refuses_no_fact(swept, caplog):
    def fail(**_: object) -> None:
        raise ZeroDivisionError

    facts_committed.connect(fail)
    try:
        facts_changed(STOCK)
    finally:
        facts_committed.disconnect(fail)
    assert len(swept) == 1 and "ZeroDivisionError" in caplog.text
