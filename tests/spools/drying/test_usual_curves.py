"""The drying of an ordinary full spool, as the page of a material draws it."""

import pytest

from spools.catalogue.members import water_in_balance_pct
from spools.drying.usual_curves import HOURS, ROOM_RH_PCT, dry_wettest_turns
from spools.models import Feedstock, Polymer
from tests.spools.conftest import polymer_values


def test_a_hotter_dryer_dries_sooner_from_the_same_start():
    petg = Feedstock(polymer=Polymer(**polymer_values("PETG")))
    gentle, hot = dry_wettest_turns(petg, [50.0, 65.0])
    start_pct = water_in_balance_pct(petg, ROOM_RH_PCT)[1]
    assert gentle[0] == hot[0] == pytest.approx(start_pct)
    late = HOURS.index(6.0)
    assert all(below < above for below, above in zip(hot[late:], gentle[late:], strict=True))
    assert hot[late:] == sorted(hot[late:], reverse=True)
