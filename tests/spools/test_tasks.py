import pytest

from background.running import run_due
from spools import exposure, moves
from spools.models import MoistureState

from .conftest import receive

pytestmark = pytest.mark.django_db


def test_the_schedule_brings_all_spools_that_are_not_empty_up_to_date(spool, nylon, shelf):
    empty = receive(nylon, shelf)
    moves.mark_empty(empty)
    run_due()
    assert spool.moisture_states.exists()
    assert not empty.moisture_states.exists()
    kept = MoistureState.objects.count()
    run_due()
    assert MoistureState.objects.count() == kept
    assert exposure.rebuild([spool]) == []
