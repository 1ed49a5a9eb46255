"""After any sequence of facts the board says what is computed from the facts alone, and rebuilds equal."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone
from hypothesis import given, settings
from hypothesis import strategies as st

from background.running import run_due
from spools.air.climate import record_readings
from spools.air.dry_box import put_desiccant
from spools.air.reading_corrections import withdraw_readings
from spools.air.salt_checks import record_salt_check
from spools.board import board
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.facts import withdraw
from spools.inventory import endings, ledger, moves
from spools.inventory.respooling import respool
from spools.models import DryingRun, Ensemble, MoistureState, Spool
from tests.spools.conftest import receive

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)
SILICA = {"kind": "silica_gel", "dry_mass_g": 40, "condition": "regenerated", "regenerated_c": 120}


def finish(spool: Spool, places: dict) -> None:
    run = DryingRun.objects.filter(spool=spool, end=None).first()
    if run is not None:
        finish_drying(run, place=places["shelf"])


FACTS = {
    "print": lambda s, p: ledger.take(s, 20),
    "late print": lambda s, p: ledger.take(s, 5, at=timezone.now() - timedelta(hours=7)),
    "weigh": lambda s, p: ledger.weigh(s, 1150),
    "to the box": lambda s, p: moves.move_spool(s, p["box"]),
    "to the shelf": lambda s, p: moves.move_spool(s, p["shelf"]),
    "dry": lambda s, p: start_drying([s], p["dryer"], DryingSettings(70)),
    "finish": finish,
    "damp air": lambda s, p: record_readings(p["shelf"], [(timezone.now(), 26, 85)], origin="api"),
    "late dry air": lambda s, p: record_readings(
        p["shelf"], [(timezone.now() - timedelta(hours=3), 20, 25)], origin="api"
    ),
    "desiccant": lambda s, p: put_desiccant(p["box"], **SILICA),
    "salt check": lambda s, p: record_salt_check(p["shelf"], 79, 25, hours=4),
    "mark empty": lambda s, p: endings.end_spool(s),
    "take back": lambda s, p: [withdraw(ending, reason="x") for ending in s.endings.valid()],
    "other reel": lambda s, p: respool(s, core_mass_g=150, core_radius_mm=45, width_mm=58),
    "withdraw air": lambda s, p: withdraw_readings(
        p["shelf"], START, timezone.now(), reason="a stuck sensor"
    ),
    "admit air": lambda s, p: [
        withdraw(span, reason="x") for span in p["shelf"].reading_withdrawals.filter(withdrawn_at=None)
    ],
    "work": lambda s, p: run_due(),
}
STEPS = st.lists(
    st.tuples(st.sampled_from(sorted(FACTS)), st.integers(0, 1), st.floats(0.1, 12)), min_size=1, max_size=5
)


@settings(max_examples=settings.default.max_examples // 3)
@given(steps=STEPS)
def test_the_board_is_what_follows_from_the_facts(nylon, pla, shelf, box, dryer, steps):
    places = {"shelf": shelf, "box": box, "dryer": dryer}
    box.room, box.volume_l, box.half_time_h = shelf, 40, 90
    box.save()
    with transaction.atomic(), time_machine.travel(START + timedelta(days=3), tick=False) as clock:
        put_desiccant(box, **SILICA, at=START)
        spools = [receive(nylon, shelf, at=START), receive(pla, box, at=START)]
        for name, which, hours in steps:
            board.read()
            clock.shift(timedelta(hours=hours))
            try:
                with transaction.atomic():
                    FACTS[name](spools[which], places)
            except ValidationError:
                continue
        shown = board.read()
        for row in shown.values():
            assert row.good_until > timezone.now() >= row.computed_at
        assert set(shown) == set(Spool.objects.filter(ended_at=None).values_list("pk", flat=True))
        # As of the time at which each was computed, whatever is stored.
        for row in shown.values():
            MoistureState.objects.all().delete()
            Ensemble.objects.all().delete()
            (expected,) = board.compute([row.pk], row.computed_at).rows
            if row.computed_at == timezone.now():
                assert board.values_of(row) == board.values_of(expected)
            else:
                assert (row.p50_pct, row.mass_g) == pytest.approx((expected.p50_pct, expected.mass_g))
        board.refresh([row.pk for row in shown.values()])
        assert board.rebuild() == []
        transaction.set_rollback(True)
