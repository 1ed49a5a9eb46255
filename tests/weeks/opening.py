"""The shop on its first day."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.contrib.auth import get_user_model

from maintenance.machines.printers import add_printer
from maintenance.models import PartKind, Printer, ServiceKind, Toolhead
from maintenance.parts.fitting import fit_part
from maintenance.parts.stock import add_stock
from spools.catalogue.importing import load_materials
from spools.inventory.receiving import NewSpool, receive_spool
from spools.models import Feedstock, Maker, Place, Polymer, Spool

# Filament on a spool as it comes, g.
LOCAL_G = 1000.0
# How the names of its services begin.
CARE = "care"
COLOURS = ("black", "white", "grey")


@dataclass
class Opened:
    """A shop, or the room of it in which one person works, with the machines and spools there."""

    user: Any
    shelf: Place
    box: Place
    dryers: list[Place]
    nozzle: PartKind
    services: list[ServiceKind]
    toolheads: list[Toolhead]
    spools: list[Spool]

    @property
    def sensed(self) -> list[Place]:
        return [self.shelf, self.box]


def open_shop(at: datetime, printers: int, spools: int, rooms: int = 1) -> list[Opened]:
    """Rooms with printers, spools of three colours of PLA, a shelf, a dry box and two dryers each; parts in stock."""
    load_materials()
    user = get_user_model().objects.create_user("ada", role="set_up")
    kinds = [
        _kind(
            "nozzle", "hard nozzle", bore_mm=0.4, life_unit="dose_km", life=1.1, life_low=0.22, life_high=5.4
        ),
        _kind("gears", "hard gears", life_unit="feed_km", life=500, life_low=150, life_high=1500),
    ]
    for kind in kinds:
        add_stock(kind, 500, at=at)
    toolheads = []
    for n in range(printers):
        printer = Printer(name=f"Printer {n + 1:02}", bed_max_c=110)
        add_printer(printer, Toolhead(name="T0"), assumed_temperature_c=24, assumed_rh_pct=40)
        toolheads.append(printer.toolheads.get())
        for kind in kinds:
            fit_part(toolheads[-1], kind, at=at)
    services = [
        ServiceKind.objects.create(
            name=f"{CARE} {unit}",
            work="gears",
            subject="toolhead",
            unit=unit,
            interval=interval,
            advice="Brush them.",
            source="invented for tests",
            how="memory",
        )
        for unit, interval in (("hours", 60), ("feed_km", 1.5))
    ]
    maker, pla = Maker.objects.create(name="Example Works"), Polymer.objects.get(name="PLA")
    feedstocks = [Feedstock.objects.create(maker=maker, polymer=pla, colour=colour) for colour in COLOURS]
    return [
        _open_room(n, user, kinds[0], services, toolheads[n::rooms], feedstocks, spools // rooms, at)
        for n in range(rooms)
    ]


def _open_room(
    number: int,
    user: Any,
    nozzle: PartKind,
    services: list[ServiceKind],
    toolheads: list[Toolhead],
    feedstocks: list[Feedstock],
    spools: int,
    at: datetime,
) -> Opened:
    shelf = Place.objects.create(
        name=f"Shelf {number}", kind="shelf", assumed_temperature_c=22, assumed_rh_pct=50
    )
    box = Place.objects.create(name=f"Box {number}", kind="dry_box", assumed_rh_pct=12)
    dryers = [
        Place.objects.create(name=f"Dryer {number}-{n}", kind="dryer", max_set_point_c=80, room=shelf)
        for n in (1, 2)
    ]
    received = [receive_one(feedstocks[n % len(feedstocks)], shelf, at) for n in range(spools)]
    return Opened(user, shelf, box, dryers, nozzle, services, toolheads, received)


def receive_one(feedstock: Feedstock, place: Place, at: datetime) -> Spool:
    new = NewSpool(
        feedstock=feedstock,
        net_mass_g=LOCAL_G,
        core_mass_g=200,
        core_mass_known=True,
        core_material="abs",
        core_radius_mm=50,
        width_mm=60,
        opened=True,
    )
    return receive_spool(new, place, at=at)


def _kind(role: str, name: str, **values: Any) -> PartKind:
    return PartKind.objects.create(
        role=role,
        name=name,
        material="steel",
        hardness_hv=690,
        source="invented for tests",
        how="memory",
        **values,
    )
