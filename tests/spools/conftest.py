"""A small invented shop: places, a feedstock of each kind, and spools received some days ago."""

import csv
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from django.utils import timezone

from spools.catalogue.importing import GAB_SHAPE
from spools.inventory.receiving import NewSpool, receive_spool
from spools.models import Feedstock, Maker, Place, Polymer

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference" / "polymers.csv"
TEXT = {"name", "kind", "softening_basis", "dry_hours", "isotherm", "limit_basis"}
TEXT |= {"enclosure", "emission", "grade_uptake", "grade_rate"}


def polymer_values(name: str) -> dict:
    """The fields of a polymer of the catalogue, without a database."""
    with REFERENCE.open() as file:
        row = next(row for row in csv.DictReader(file) if row["polymer"] == name)
    row["name"] = row.pop("polymer")
    values = {key: value if key in TEXT else float(value) for key, value in row.items() if value != ""}
    if values["isotherm"] == "gab":
        values |= GAB_SHAPE
    return values


def polymer(name: str) -> Polymer:
    return Polymer.objects.get_or_create(name=name, defaults=polymer_values(name))[0]


def feedstock(polymer_name: str, **values) -> Feedstock:
    maker = Maker.objects.get_or_create(name="Example Works")[0]
    return Feedstock.objects.create(maker=maker, polymer=polymer(polymer_name), name=polymer_name, **values)


def hours_ago(hours: float) -> datetime:
    """A whole minute, that many hours before now."""
    return (timezone.now() - timedelta(hours=hours)).astimezone(UTC).replace(second=0, microsecond=0)


def receive(feedstock_: Feedstock, place: Place, **values):
    at = values.pop("at", None) or hours_ago(240)
    given = {"net_mass_g": 1000, "core_radius_mm": 50, "width_mm": 60}
    given |= {"core_mass_g": 200, "core_mass_known": True, "core_material": "abs"}
    # Outside bags they lie open, as most spools of a shop do.
    given["opened"] = place.kind != "bag"
    return receive_spool(NewSpool(feedstock=feedstock_, **(given | values)), place, at=at)


@pytest.fixture
def shelf(db) -> Place:
    return Place.objects.create(name="Open shelf", kind="shelf", assumed_temperature_c=22, assumed_rh_pct=50)


@pytest.fixture
def bag(db) -> Place:
    return Place.objects.create(name="Bags", kind="bag", assumed_rh_pct=20)


@pytest.fixture
def box(db) -> Place:
    return Place.objects.create(name="Dry box", kind="dry_box", assumed_rh_pct=15)


@pytest.fixture
def dryer(db, shelf) -> Place:
    return Place.objects.create(name="Dryer", kind="dryer", max_set_point_c=90, room=shelf)


@pytest.fixture
def nylon(db) -> Feedstock:
    return feedstock("PA6")


@pytest.fixture
def pla(db) -> Feedstock:
    return feedstock("PLA")


@pytest.fixture
def spool(nylon, shelf):
    """A kilogram of nylon on the shelf for ten days."""
    return receive(nylon, shelf)
