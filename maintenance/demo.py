"""An invented shop to look around in, with two weeks of history up to the present.

Everything goes through the same functions as in a real shop, with past times; shop, makers, products and
events are made up.
"""

import math
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise
from typing import NamedTuple

from django.db import transaction
from django.utils import timezone

from maintenance.flow.curve import Weighed
from maintenance.flow.records import asked_setup, record_flow_check
from maintenance.jobs import files as job_files
from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.machines.printers import add_printer
from maintenance.parts.fitting import add_stock, fit_part, record_bore, replace_part
from maintenance.reminders.lifecycle import sweep
from maintenance.service.records import record_service, save_kind
from maintenance.trouble.reports import record_outcome, report_job_trouble
from spools.air import dry_box_cache
from spools.air.climate import record_readings
from spools.air.dry_box import put_desiccant
from spools.drying.runs import finish_drying, start_drying
from spools.drying.week import schedule as week_schedule
from spools.inventory.corrections import save_feedstock, save_place
from spools.inventory.ledger import weigh
from spools.inventory.moves import mark_empty, move_spool
from spools.inventory.receiving import receive_spool
from spools.models import CoreKind, Feedstock, Filler, Place, Polymer, Spool
from spools.moisture.state import advance

from .models import Job, Loading, PartKind, Printer, ServiceKind, Toolhead


class Product(NamedTuple):
    maker: str
    polymer: str
    name: str
    colour: str
    reorder_point_g: float = 0
    filler: str = ""
    filler_mass_fraction: float = 0


class Arrival(NamedTuple):
    product: str
    days_ago: float
    place: str
    reel: str = "polystyrene reel, 1 kg"
    net_mass_g: float = 1000
    card: str = "dry"


class Print(NamedTuple):
    days_ago: float
    name: str
    mass_g: float
    hours: float
    nozzle_c: float
    bed_c: float
    override_reason: str = ""


PRODUCTS = {
    "pla-white": Product("Quillmere Polymers", "PLA", "Everyday PLA", "white", 1500),
    "pla-graphite": Product("Quillmere Polymers", "PLA", "Everyday PLA", "graphite", 500),
    "petg": Product("Quillmere Polymers", "PETG", "Plain PETG", "clear", 500),
    "pa6": Product("Tolvik & Daughter", "PA6", "Gear Nylon", "natural"),
    "pa6-cf": Product("Tolvik & Daughter", "PA6", "Stiff Nylon", "black", 0, "carbon fibre", 0.15),
    "pa12": Product("Tolvik & Daughter", "PA12", "Fine Nylon", "natural"),
    "tpu": Product("Hazelbrae Compounding", "TPU 95A", "Bend", "blue"),
    "abs": Product("Hazelbrae Compounding", "ABS", "Housing", "grey"),
    "asa": Product("Hazelbrae Compounding", "ASA", "Outdoors", "green"),
    "pc": Product("Hazelbrae Compounding", "PC", "Window", "clear"),
    "pva": Product("Quillmere Polymers", "PVA", "Rinse-away", "natural"),
}
# What the labels of a printed demo would say.
ARRIVALS = {
    "GYGQFP": Arrival("pla-white", 14, "Shelf"),
    "XVVFX9": Arrival("pla-white", 7, "Sealed bags"),
    "67VHVF": Arrival("pla-white", 12, "Shelf", "cardboard reel, 500 g", 500),
    "KCXRMX": Arrival("pla-graphite", 5, "Sealed bags", "cardboard reel, 1 kg"),
    "WJ9VJ7": Arrival("petg", 8, "Sealed bags"),
    "QV3F9Y": Arrival("petg", 6, "Sealed bags", card="wet"),
    "F4QT7X": Arrival("pa6", 7, "Sealed bags", "polycarbonate reel, 1 kg"),
    "7DKMRX": Arrival("pa6-cf", 13, "Sealed bags", "polycarbonate reel, 1 kg"),
    "CD47NQ": Arrival("pa12", 10, "Sealed bags", "ABS reel, 1 kg"),
    "CQJJHK": Arrival("tpu", 8, "Shelf"),
    "V66X4F": Arrival("abs", 9, "Sealed bags", "ABS reel, 1 kg"),
    "99V6C4": Arrival("asa", 10, "Sealed bags", "ABS reel, 1 kg"),
    "YXWWWF": Arrival("pc", 6, "Shelf", "polycarbonate reel, 1 kg", card="missing"),
    "JGFNKH": Arrival("pva", 9, "Sealed bags", "polystyrene reel, 500 g", 500),
    "HKK433": Arrival("tpu", 12, "Sealed bags", "polycarbonate reel, 1 kg"),
}
PARTS_BOUGHT = {
    "brass nozzle 0.4 mm": 3,
    "hardened steel nozzle 0.4 mm": 3,
    "drive gears of unknown metal": 1,
    "brass drive gears": 4,
    "hardened steel drive gears": 1,
    "PTFE liner": 3,
    "all-metal heat break": 2,
    "PEI powder-coated build sheet": 2,
    "belt set": 1,
    "carbon filter, used with styrene": 2,
}
FITTED = {
    "North": ["brass nozzle 0.4 mm", "drive gears of unknown metal", "PTFE liner"],
    "South": ["hardened steel nozzle 0.4 mm", "hardened steel drive gears", "all-metal heat break"],
    "Bench": ["brass nozzle 0.4 mm", "brass drive gears", "all-metal heat break"],
}
ON_PRINTERS = {
    "North": ["PEI powder-coated build sheet"],
    "South": ["PEI powder-coated build sheet", "belt set", "carbon filter, used with styrene"],
}
# Bought when needed: no reminder when none is in the drawer.
NOT_KEPT = [
    *["drive gears of unknown metal", "hardened steel drive gears", "all-metal heat break"],
    *["PEI powder-coated build sheet", "belt set"],
]

NORTH_FIRST = [
    Print(13.5, "desk hooks", 160, 9, 205, 55),
    Print(12.5, "cable guides", 240, 14, 205, 55),
    Print(11.5, "jig, first try", 190, 11, 210, 60),
    Print(10, "jig", 205, 12, 210, 60),
    Print(8.5, "tray", 170, 10, 205, 55),
]
NORTH_NOW = [
    Print(5.5, "drawer inserts", 210, 12, 205, 55),
    Print(3.5, "labels for bins", 60, 4, 205, 55),
    Print(1.5, "lamp foot", 145, 8, 210, 60),
]
# Days ago, and how many times the loss of sound gears. North's slip a little more with each day; Bench's had
# lost their grip after a fibre-filled bracket, and new ones came.
NORTH_FLOW = [(5.9, 1.0), (5.8, 0.96), (5.7, 1.05), (4.0, 1.2), (2.5, 1.5), (0.7, 1.8)]
BENCH_FLOW = [(11.97, 1.0), (11.1, 2.1)]
FLOW_RATES = [1, 3, 5, 8, 12]
BLOB_MM, SCALE_G = 200, 0.001
# Loss of sound gears per mm³/s above the slow reference.
SOUND_LOSS = 0.007

SOUTH_ASA = [Print(9, "rain cap", 130, 8, 250, 100), Print(8, "hose clips", 85, 5, 250, 100)]


class Shop:
    """What has been built so far, and the present that all times count back from."""

    def __init__(self, now: datetime):
        self.now = now.replace(second=0, microsecond=0)
        self.places: dict[str, Place] = {}
        self.toolheads: dict[str, Toolhead] = {}
        self.products: dict[str, Feedstock] = {}
        self.spools: dict[str, Spool] = {}

    def ago(self, days: float = 0, hours: float = 0) -> datetime:
        return self.now - timedelta(days=days, hours=hours)

    def move(self, code: str, place: str, days_ago: float) -> None:
        move_spool(self.spools[code], self.places[place], at=self.ago(days_ago))

    def load(self, printer: str, code: str, days_ago: float, override_reason: str = "") -> Loading:
        return load_spool(
            self.toolheads[printer],
            self.spools[code],
            at=self.ago(days_ago),
            override_reason=override_reason,
        )

    def unload(self, loading: Loading, place: str, days_ago: float) -> None:
        unload_spool(loading, self.places[place], at=self.ago(days_ago))

    def record(self, printer: str, code: str, prints: list[Print]) -> None:
        for one in prints:
            record_job(
                toolhead=self.toolheads[printer],
                spool=self.spools[code],
                name=one.name,
                mass_g=one.mass_g,
                hours=one.hours,
                nozzle_c=one.nozzle_c,
                bed_c=one.bed_c,
                start=self.ago(one.days_ago),
                override_reason=one.override_reason,
            )

    def check_flow(self, printer: str, code: str, nozzle_c: float, checks: list[tuple[float, float]]) -> None:
        spool = self.spools[code]
        full_g = asked_setup(spool, length_mm=BLOB_MM, resolution_g=SCALE_G).commanded_g
        for days_ago, worn in checks:
            losses = [SOUND_LOSS * (rate - FLOW_RATES[0]) * worn for rate in FLOW_RATES]
            rates = [
                Weighed(rate, tuple(round(full_g * (1 - loss) * share, 3) for share in (0.997, 1, 1.003)))
                for rate, loss in zip(FLOW_RATES, losses, strict=True)
            ]
            record_flow_check(
                toolhead=self.toolheads[printer],
                spool=spool,
                rates=rates,
                nozzle_c=nozzle_c,
                length_mm=BLOB_MM,
                resolution_g=SCALE_G,
                at=self.ago(days_ago),
            )


@transaction.atomic
def build(now: datetime | None = None) -> Shop:
    """The demo shop, up to ``now``. The catalogue must be loaded, the rest empty.

    Raises ValidationError when something of it cannot be, as where a place has the same name already.
    """
    shop = Shop(now or timezone.now())
    _places(shop)
    _machines(shop)
    _products(shop)
    _arrivals(shop)
    _service(shop)
    _printing(shop)
    _drying(shop)
    dry_box_cache.advance(shop.now)
    _trouble()
    advance(shop.spools.values(), shop.now)
    _week(shop)
    _job_file(shop)
    sweep(shop.now)
    return shop


def _places(shop: Shop) -> None:
    shelf = Place(name="Shelf", kind="shelf", assumed_temperature_c=21, assumed_rh_pct=50)
    shop.places = {
        place.name: save_place(place)
        for place in [
            shelf,
            Place(name="Sealed bags", kind="bag", assumed_temperature_c=21, assumed_rh_pct=15),
            Place(
                name="Dry box",
                kind="dry_box",
                room=shelf,
                volume_l=30,
                half_time_h=55,
                assumed_temperature_c=21,
                assumed_rh_pct=15,
            ),
            # Its gasket has come loose, and its hygrometer shows it.
            Place(
                name="Grey box",
                kind="dry_box",
                room=shelf,
                volume_l=30,
                half_time_h=60,
                limit_rh_pct=30,
                assumed_temperature_c=21,
                assumed_rh_pct=20,
            ),
            # Without a hygrometer and with a lid that fits badly.
            Place(
                name="Old tub",
                kind="dry_box",
                room=shelf,
                volume_l=45,
                half_time_h=8,
                assumed_temperature_c=21,
                assumed_rh_pct=40,
            ),
        ]
    }
    for name, hottest_c, error_k, holds, fan in (
        ("Small dryer", 65, 5, 1, False),
        ("Big dryer", 110, 3, 4, True),
    ):
        shop.places[name] = save_place(
            Place(
                name=name,
                kind="dryer",
                room=shelf,
                max_set_point_c=hottest_c,
                set_point_error_c=error_k,
                spool_capacity=holds,
                moved_air=fan,
                assumed_temperature_c=21,
                assumed_rh_pct=50,
            )
        )
    for name, mass_g, celsius in [("Dry box", 120, 100), ("Old tub", 60, 65), ("Grey box", 150, 110)]:
        put_desiccant(
            shop.places[name],
            "silica_gel",
            mass_g,
            condition="regenerated",
            regenerated_c=celsius,
            at=shop.ago(12),
        )
    # A day's swing about 21 °C and damp spells, hourly; what the box says, every six hours.
    record_readings(shelf, [(shop.ago(hours=h), *_room_air(h)) for h in range(72)], origin="api")
    record_readings(
        shop.places["Dry box"],
        [(shop.ago(hours=h), 21.0, 12 + (h % 48) / 24) for h in range(0, 240, 6)],
        origin="api",
    )
    record_readings(
        shop.places["Grey box"], [(shop.ago(hours=h), 21.0, 20 - h / 24) for h in range(24)], origin="api"
    )


def _room_air(hours_ago: int) -> tuple[float, float]:
    day, spell = math.sin(2 * math.pi * hours_ago / 24), math.sin(2 * math.pi * hours_ago / 170 + 2)
    return round(21 + 1.5 * day, 1), round(48 - 3 * day + 7 * spell, 1)


def _machines(shop: Shop) -> None:
    # Warm from their beds: the room's air, so much drier.
    for printer, toolhead, temperature_c, rh_pct in [
        (
            Printer(name="North", bed_max_c=100),
            Toolhead(hot_end_max_c=250, ptfe_lined=True, feed="guided", tail_mm=650),
            27,
            33,
        ),
        (
            Printer(name="South", bed_max_c=120, enclosed=True),
            Toolhead(hot_end_max_c=320, tail_mm=120),
            30,
            28,
        ),
        (Printer(name="Bench", bed_max_c=110), Toolhead(hot_end_max_c=300, tail_mm=150), 22, 48),
    ]:
        add_printer(printer, toolhead, assumed_temperature_c=temperature_c, assumed_rh_pct=rh_pct)
        shop.places[printer.name] = printer.place
        shop.toolheads[printer.name] = toolhead
    # The sensor on South has sent nothing for nine hours.
    record_readings(
        shop.places["South"], [(shop.ago(hours=h), 30.0, 28.0) for h in range(9, 72)], origin="api"
    )
    kinds = {kind.name: kind for kind in PartKind.objects.filter(name__in=PARTS_BOUGHT)}
    for name, count in PARTS_BOUGHT.items():
        add_stock(kinds[name], count, at=shop.ago(15), note="first order")
    for printer_name, names in FITTED.items():
        for name in names:
            fit_part(shop.toolheads[printer_name], kinds[name], at=shop.ago(14.5))
    for printer_name, names in ON_PRINTERS.items():
        for name in names:
            fit_part(shop.toolheads[printer_name].printer, kinds[name], at=shop.ago(14.5))
    PartKind.objects.filter(name__in=NOT_KEPT).update(reorder_point=0)


def _products(shop: Shop) -> None:
    for key, product in PRODUCTS.items():
        feedstock = Feedstock(
            polymer=Polymer.objects.get(name=product.polymer),
            name=product.name,
            colour=product.colour,
            reorder_point_g=product.reorder_point_g,
            filler=Filler.objects.get(name=product.filler) if product.filler else None,
            filler_mass_fraction=product.filler_mass_fraction,
        )
        shop.products[key] = save_feedstock(feedstock, product.maker)


def _arrivals(shop: Shop) -> None:
    reels = {reel.name: reel for reel in CoreKind.objects.all()}
    for code, arrival in ARRIVALS.items():
        reel = reels[arrival.reel]
        spool = receive_spool(
            feedstock=shop.products[arrival.product],
            place=shop.places[arrival.place],
            at=shop.ago(arrival.days_ago),
            net_mass_g=arrival.net_mass_g,
            core_mass_g=reel.mass_g,
            core_mass_band_g=reel.mass_band_g,
            core_material=reel.material,
            core_radius_mm=reel.core_radius_mm,
            width_mm=reel.width_mm,
            card=arrival.card,
        )
        # Fixed codes, so that a printed demo label stays right.
        spool.code = code
        spool.save(update_fields=["code"])
        shop.spools[code] = spool


def _service(shop: Shop) -> None:
    """A look over each machine every week; North's is overdue, and so is the cleaning of its hot end."""
    look = save_kind(
        ServiceKind(
            name="weekly look over",
            work=ServiceKind.Work.OTHER,
            subject=ServiceKind.Subject.PRINTER,
            unit=ServiceKind.Unit.DAYS,
            interval=7,
            advice="Wipe it, listen to the fans, look at cables, belts and the filament's way.",
            source="this shop's own habit",
            how="own experience",
        )
    )
    for printer, days_ago in {"North": 8, "South": 3, "Bench": 2}.items():
        record_service(look, printer=shop.toolheads[printer].printer, at=shop.ago(days_ago))
    gears = ServiceKind.objects.get(name="drive gear cleaning")
    record_service(gears, toolhead=shop.toolheads["North"], at=shop.ago(9))


def _trouble() -> None:
    """One print that went wrong and was settled, one that nobody has looked into yet."""
    bracket = report_job_trouble(Job.objects.get(name="motor bracket"), ["strings", "rough"])
    record_outcome(bracket, "nozzle_worn", note="the bore was oval")
    report_job_trouble(Job.objects.get(name="lamp foot"), ["sudden"], note="thin walls from half its height")


def _printing(shop: Shop) -> None:
    first = shop.load("North", "GYGQFP", 13.9)
    shop.record("North", "GYGQFP", NORTH_FIRST)
    shop.unload(first, "Shelf", 6.5)
    mark_empty(shop.spools["GYGQFP"], at=shop.ago(6.4))
    shop.load("North", "XVVFX9", 6)
    shop.record("North", "XVVFX9", NORTH_NOW)
    shop.check_flow("North", "XVVFX9", 210, NORTH_FLOW)
    bend = shop.spools["HKK433"]
    weigh(bend, bend.core_mass_g + 1003, resolution_g=0.1, at=shop.ago(11.9), note="as it came")
    weigh(shop.spools["67VHVF"], 388, at=shop.ago(3), note="what is left of the first order")

    # Knowingly against the advice: a hard filler through brass.
    reason = "Bracket needed the same day; the nozzle is written off."
    stiff = shop.load("Bench", "7DKMRX", 12, override_reason=reason)
    shop.record("Bench", "7DKMRX", [Print(11.9, "motor bracket", 160, 11, 275, 80, reason)])
    shop.check_flow("Bench", "7DKMRX", 275, BENCH_FLOW)
    shop.unload(stiff, "Sealed bags", 11)
    replace_part(
        shop.toolheads["Bench"],
        PartKind.Role.GEARS,
        PartKind.objects.get(name="brass drive gears"),
        at=shop.ago(10.9),
    )
    worn = shop.toolheads["Bench"].fittings.get(role="nozzle", end=None).part
    record_bore(worn, 0.45, 0.01, "pin", at=shop.ago(10.5), note="after the bracket")

    outdoors = shop.load("South", "99V6C4", 9.2)
    shop.record("South", "99V6C4", SOUTH_ASA)
    shop.unload(outdoors, "Grey box", 7)

    for code, place, days_ago in [
        ("CD47NQ", "Dry box", 9.9),
        ("JGFNKH", "Dry box", 8.9),
        ("WJ9VJ7", "Old tub", 6),
        ("F4QT7X", "Shelf", 3),
        ("HKK433", "Dry box", 11.8),
    ]:
        shop.move(code, place, days_ago)


def _week(shop: Shop) -> None:
    """Prints of the days to come, and the plan that has their filament dry in time."""
    for name, product, mass_g, in_hours in [
        ("gear set", "pa6", 220, 60),
        ("lamp cover", "pc", 150, 44),
        ("phone stand", "pla-white", 90, 20),
        ("seals", "tpu", 120, 50),
        ("bearing blocks", "pa6-cf", 180, 100),
    ]:
        week_schedule.want_print(
            shop.products[product], mass_g, shop.now + timedelta(hours=in_hours), name=name
        )
    plan = week_schedule.ask_for_plan()
    week_schedule.accept(week_schedule.store(plan, week_schedule.work_out(plan, now=shop.now)))


def _job_file(shop: Shop) -> None:
    """What the shop is about to print; it is read as background work."""
    stored = job_files.store("desk tray.gcode", (f"{line}\n".encode() for line in _desk_tray()))
    job_files.add_job_file(stored, printer=shop.toolheads["North"].printer)


def _desk_tray() -> Iterator[str]:
    """An invented tray of 80 x 50 x 30 mm in PLA: a floor of four layers, then walls of two lines."""
    width_mm, depth_mm, line_mm, layer_mm = 80.0, 50.0, 0.45, 0.2
    # Filament for a millimetre of line: a rounded oblong of that width and height, from 1.75 mm filament.
    bead_mm2 = layer_mm * (line_mm - layer_mm) + math.pi * layer_mm**2 / 4
    feed = bead_mm2 / (math.pi * 1.75**2 / 4)

    def to(x_mm: float, y_mm: float, from_x_mm: float, from_y_mm: float) -> str:
        length_mm = math.hypot(x_mm - from_x_mm, y_mm - from_y_mm)
        return f"G1 X{x_mm:.3f} Y{y_mm:.3f} E{feed * length_mm:.5f}"

    yield from ("G21", "G90", "M83", "M140 S60", "M104 S215", "M190 S60", "M109 S215", "G28", "G92 E0")
    for layer in range(1, 151):
        loops = range(54) if layer <= 4 else range(2)
        yield f"G1 Z{layer * layer_mm:.2f} F600"
        for loop in loops:
            inset_mm = (loop + 0.5) * line_mm
            low_x, low_y, high_x, high_y = inset_mm, inset_mm, width_mm - inset_mm, depth_mm - inset_mm
            corners = [(low_x, low_y), (high_x, low_y), (high_x, high_y), (low_x, high_y), (low_x, low_y)]
            yield f"G0 X{low_x:.3f} Y{low_y:.3f} F9000"
            yield f"G1 F{1500 if layer == 1 else 3000}"
            yield from (to(*corner, *before) for before, corner in pairwise(corners))
        yield "G1 E-0.8 F2400"
        yield "G1 E0.8 F2400"
    yield from ("M104 S0", "M140 S0", "G0 Z60 F600", "M84")


def _drying(shop: Shop) -> None:
    big, small, box = (shop.places[name] for name in ("Big dryer", "Small dryer", "Dry box"))
    # Forgotten over a long weekend, and again overnight: it must not get much more heat.
    for days_ago, hours in [(9.5, 66), (5.5, 30)]:
        forgotten = start_drying([shop.spools["CD47NQ"]], big, 80, planned_hours=12, at=shop.ago(days_ago))
        finish_drying(forgotten[0], place=box, at=shop.ago(days_ago, hours=-hours))
    stiff = shop.spools["7DKMRX"]
    # The weighings agree with what such a spool takes up in a day on the bench and a week in a bag.
    run = start_drying([stiff], big, 77, planned_hours=14, at=shop.ago(2), gross_g={stiff.pk: 1107})[0]
    finish_drying(run, place=box, at=shop.ago(2, hours=-15), gross_g=1103)
    # One is under way; one is done and not taken out.
    start_drying([shop.spools["CQJJHK"]], small, 60, at=shop.ago(hours=2))
    start_drying([shop.spools["QV3F9Y"]], big, 60, planned_hours=6, at=shop.ago(hours=7))
    shop.load("South", "7DKMRX", 0.1)
