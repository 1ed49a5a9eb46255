"""A dry box whose air is computed, at a pretended time."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from spools.air.dry_box import put_desiccant
from spools.air.dry_box_cache import simulate_airs
from spools.models import Place

START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)
NOW_H = 150
SILICA = {"kind": "silica_gel", "condition": "regenerated", "regenerated_c": 120}


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture
def clock():
    with time_machine.travel(at(NOW_H), tick=False) as traveller:
        yield traveller


@pytest.fixture
def computed_box(shelf):
    """30 L on the shelf at 22 °C and 50 % RH, half an air change a day, no desiccant yet."""
    return Place.objects.create(
        name="Dry box", kind="dry_box", assumed_rh_pct=15, room=shelf, volume_l=30, half_time_h=33
    )


@pytest.fixture
def charged(computed_box):
    """The same with 100 g of dry silica gel."""
    put_desiccant(computed_box, dry_mass_g=100, at=at(0), **SILICA)
    return computed_box


def rh_by_hour(place: Place, until: datetime, since: datetime = START) -> dict[datetime, float]:
    return {
        hour: rh_pct for hour, (_, rh_pct, _) in simulate_airs([place], since, until)[place.pk].hours.items()
    }
