"""An invented shop: two printers with parts fitted and in the drawer, places, feedstocks, spools."""

from collections.abc import Iterable
from dataclasses import replace
from types import SimpleNamespace

import pytest
from django.contrib.auth import get_user_model

from maintenance.machines.printers import add_printer
from maintenance.models import Part, PartKind, Printer, Toolhead
from maintenance.parts.fitting import fit_part
from maintenance.parts.life import PartWear, RemainingLife, load_part_wear
from maintenance.parts.stock import add_stock
from spools.models import Filler, Place
from tests.restored import build_once, built_once
from tests.spools.conftest import feedstock, hours_ago, receive

PRINT = {"name": "bracket", "mass_g": 50, "hours": 2, "nozzle_c": 205, "bed_c": 55}
LONG_AGO = 24 * 20


def kind(role: str, name: str, **values) -> PartKind:
    given = {"material": "steel", "hardness_hv": 690, "life_unit": "feed_km", "source": "invented for tests"}
    given |= {"how": "memory", "life": 500, "life_low": 150, "life_high": 1500, "reorder_point": 1}
    return PartKind.objects.create(role=role, name=name, **(given | values))


def toolhead(printer: str, **values) -> Toolhead:
    given = {"bed_max_c": 110, "enclosed": True} | values
    created = Printer(name=printer, **given)
    add_printer(created, Toolhead(name="T0"), assumed_temperature_c=24, assumed_rh_pct=30)
    return created.toolheads.get()


@pytest.fixture
def shop(db) -> SimpleNamespace:
    return build_once(small_workshop)


def small_workshop() -> SimpleNamespace:
    """north has brass, south hardened steel; ten days of plain spools lie in a dry box."""
    shelf = Place.objects.create(name="Shelf", kind="shelf", assumed_temperature_c=22, assumed_rh_pct=55)
    box = Place.objects.create(name="Dry box", kind="dry_box", assumed_rh_pct=8)
    bag = Place.objects.create(name="Bags", kind="bag", assumed_rh_pct=15)
    dryer = Place.objects.create(name="Dryer", kind="dryer", max_set_point_c=90, room=shelf, moved_air=True)
    fibre = Filler.objects.create(
        name="carbon fibre",
        density_g_cm3=1.8,
        hardness_hv=340,
        hardness_low_hv=310,
        hardness_high_hv=370,
        source="invented for tests",
        how="memory",
    )
    bore = {"bore_mm": 0.4, "life_unit": "dose_km"}
    brass = kind("nozzle", "brass 0.4", hardness_hv=105, life=0.17, life_low=0.055, life_high=0.49, **bore)
    steel = kind("nozzle", "steel 0.4", life=1.1, life_low=0.22, life_high=5.4, **bore)
    gears = kind("gears", "steel gears")
    liner = kind(
        "liner", "heat break", hardness_hv=None, life_unit="hot_h", life=5000, life_low=2000, life_high=15000
    )
    for part_kind in (brass, steel, gears, liner):
        add_stock(part_kind, 6, at=hours_ago(LONG_AGO))
    north, south = toolhead("North"), toolhead("South")
    for on, nozzle in ((north, brass), (south, steel)):
        for part_kind in (nozzle, gears, liner):
            fit_part(on, part_kind, at=hours_ago(LONG_AGO))
    return SimpleNamespace(
        user=get_user_model().objects.create_user("ada", role="set_up"),
        shelf=shelf,
        box=box,
        bag=bag,
        dryer=dryer,
        north=north,
        south=south,
        brass=brass,
        steel=steel,
        gears=gears,
        liner=liner,
        pla=feedstock("PLA"),
        nylon=feedstock("PA6"),
        carbon=feedstock("PLA", colour="black", filler=fibre, filler_mass_fraction=0.15),
    )


@built_once
def plain(shop):
    """A dry kilogram of PLA."""
    return receive(shop.pla, shop.box, card="dry")


@built_once
def filled(shop):
    """A dry kilogram of PLA with carbon fibre."""
    return receive(shop.carbon, shop.box, card="dry")


@built_once
def wet(shop):
    """A kilogram of nylon that lies on the open shelf since ten days."""
    return receive(shop.nylon, shop.shelf, sealed=False, core_material="pc")


def life_left(parts: Iterable[Part]) -> dict[int, RemainingLife]:
    """The remaining life of each part, by part id, with its amounts in the unit in which its life is stored."""
    rows = load_part_wear(Part.objects.filter(pk__in=[part.pk for part in parts]))
    return {row.part.pk: as_stored(row) for row in rows}


def as_stored(row: PartWear) -> RemainingLife:
    left, (factor, _) = row.life_left(), row.in_hand
    amounts = {name: getattr(left, name) / factor for name in ("age", "median_left", "low_left", "high_left")}
    return replace(left, **amounts, unit=row.kind.life_unit)
