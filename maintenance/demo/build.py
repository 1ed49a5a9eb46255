"""Builds the demo shop: two weeks of history up to the present.

Everything goes through the same functions as in a real shop, with past times.
"""

import math
from datetime import datetime, timedelta
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from maintenance.costs.rates import save_rates
from maintenance.demo.data import (
    ARRIVALS,
    BENCH_FLOW,
    DESICCANT,
    DRY_PLACES,
    DRYERS,
    FITTED,
    NORTH_FIRST,
    NORTH_FLOW,
    NORTH_NOW,
    NOT_KEPT,
    ON_PRINTERS,
    PARTS_BOUGHT,
    PRICES,
    PRODUCTS,
    SHELF,
    SOUTH_ASA,
    Print,
)
from maintenance.demo.job_file import desk_tray
from maintenance.demo.shop import DemoShop
from maintenance.jobs import files as job_files
from maintenance.machines.printers import add_printer
from maintenance.models import CostRates, Job, PartKind, Printer, ServiceKind, Toolhead
from maintenance.parts.fitting import fit_part, record_bore, replace_part
from maintenance.parts.stock import add_stock
from maintenance.reminders.sweep import sweep
from maintenance.service.records import record_service, save_kind
from maintenance.trouble.reports import record_outcome, report_job_trouble
from spools.air import dry_box_cache
from spools.air.climate import record_readings
from spools.air.dry_box import put_desiccant
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.drying.week.plans import accept_plan, compute_plan, create_plan, store_plan
from spools.drying.week.requests import add_print_request
from spools.inventory.assumptions import save_feedstock, save_place
from spools.inventory.endings import end_spool
from spools.inventory.ledger import weigh
from spools.inventory.receiving import NewSpool, receive_spool
from spools.models import CoreKind, Feedstock, Filler, Place, Polymer
from spools.moisture.cache import advance


@transaction.atomic
def build(now: datetime | None = None) -> DemoShop:
    """The demo shop, up to ``now``. The catalogue must be loaded, the rest empty.

    Raises ValidationError when something of it cannot be, as where a place has the same name already.
    """
    shop = DemoShop(now or timezone.now())
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


def _places(shop: DemoShop) -> None:
    shelf = save_place(Place(**SHELF))
    shop.places["Shelf"] = shelf
    for fields in [*DRY_PLACES, *DRYERS]:
        shop.places[fields["name"]] = save_place(Place(**{"room": shelf, **fields}))
    for name, mass_g, celsius in DESICCANT:
        put_desiccant(
            shop.places[name],
            "silica_gel",
            mass_g,
            condition="regenerated",
            regenerated_c=celsius,
            at=shop.ago(12),
        )
    _readings(shop, shelf)


def _readings(shop: DemoShop, shelf: Place) -> None:
    # A day's swing about 21 °C and damp spells, hourly; the readings of the box every six hours.
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


def _machines(shop: DemoShop) -> None:
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
    PartKind.objects.filter(name__in=PARTS_BOUGHT.keys() - {*NOT_KEPT}).update(reorder_point=1)
    for role, price in PRICES.items():
        PartKind.objects.filter(role=role).update(price=price)
    hours = {toolhead.printer_id: (0.9, 120.0) for toolhead in shop.toolheads.values()}
    save_rates(CostRates(currency="EUR", energy_per_kwh=0.32), hours)


def _products(shop: DemoShop) -> None:
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


def _arrivals(shop: DemoShop) -> None:
    reels = {reel.name: reel for reel in CoreKind.objects.all()}
    for code, arrival in ARRIVALS.items():
        reel = reels[arrival.reel]
        new = NewSpool(
            feedstock=shop.products[arrival.product],
            net_mass_g=arrival.net_mass_g,
            core_mass_g=reel.mass_g,
            core_mass_band_g=reel.mass_band_g,
            core_material=reel.material,
            core_radius_mm=reel.core_radius_mm,
            width_mm=reel.width_mm,
            card=arrival.card,
            opened=arrival.place == "Shelf",
            price=Decimal(PRODUCTS[arrival.product].price_per_kg) * Decimal(str(arrival.net_mass_g)) / 1000,
        )
        spool = receive_spool(new, shop.places[arrival.place], at=shop.ago(arrival.days_ago))
        # Fixed codes, so that a printed demo label stays right.
        spool.code = code
        spool.save(update_fields=["code"])
        shop.spools[code] = spool


def _service(shop: DemoShop) -> None:
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
    # This shop prints filled filament, so it cleans its hot ends more often than the catalogue says.
    hot_end = ServiceKind.objects.get(name="hot-end cleaning")
    hot_end.interval, hot_end.source, hot_end.how = 50, "own choice: filled filament", "own choice"
    save_kind(hot_end)
    gears = ServiceKind.objects.get(name="drive gear cleaning")
    record_service(gears, toolhead=shop.toolheads["North"], at=shop.ago(9))


def _trouble() -> None:
    """One print that went wrong and was settled, one that nobody has looked into yet."""
    bracket = report_job_trouble(Job.objects.get(name="motor bracket"), ["strings", "rough"])
    record_outcome(bracket, "nozzle_worn", note="the bore was oval")
    report_job_trouble(Job.objects.get(name="lamp foot"), ["sudden"], note="thin walls from half its height")


def _printing(shop: DemoShop) -> None:
    first = shop.load("North", "GYGQFP", 13.9)
    shop.record("North", "GYGQFP", NORTH_FIRST)
    shop.unload(first, "Shelf", 6.5)
    end_spool(shop.spools["GYGQFP"], at=shop.ago(6.4))
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


def _week(shop: DemoShop) -> None:
    """Prints of the days to come, and the plan that has their filament dry in time."""
    for name, product, mass_g, in_hours in [
        ("gear set", "pa6", 220, 60),
        ("lamp cover", "pc", 150, 44),
        ("phone stand", "pla-white", 90, 20),
        ("seals", "tpu", 120, 50),
        ("bearing blocks", "pa6-cf", 180, 100),
    ]:
        add_print_request(shop.products[product], mass_g, shop.now + timedelta(hours=in_hours), name=name)
    plan = create_plan()
    accept_plan(store_plan(plan, compute_plan(plan, now=shop.now)))


def _job_file(shop: DemoShop) -> None:
    """Adds the file of the next print; background work reads it."""
    stored = job_files.store_content("desk tray.gcode", (f"{line}\n".encode() for line in desk_tray()))
    job_files.add_job_file(stored, printer=shop.toolheads["North"].printer)


def _drying(shop: DemoShop) -> None:
    big, small, box = (shop.places[name] for name in ("Big dryer", "Small dryer", "Dry box"))
    # Forgotten over a long weekend, and again overnight: it must not get much more heat.
    for days_ago, hours in [(9.5, 66), (5.5, 30)]:
        forgotten = start_drying(
            [shop.spools["CD47NQ"]], big, DryingSettings(80, planned_hours=12), at=shop.ago(days_ago)
        )
        finish_drying(forgotten[0], place=box, at=shop.ago(days_ago, hours=-hours))
    stiff = shop.spools["7DKMRX"]
    # The weighings agree with what such a spool takes up in a day on the bench and a week in a bag.
    run = start_drying(
        [stiff], big, DryingSettings(77, planned_hours=14), at=shop.ago(2), gross_g={stiff.pk: 1107}
    )[0]
    finish_drying(run, place=box, at=shop.ago(2, hours=-15), gross_g=1103)
    # One is under way; one is done and not taken out.
    start_drying([shop.spools["CQJJHK"]], small, DryingSettings(60), at=shop.ago(hours=2))
    start_drying([shop.spools["QV3F9Y"]], big, DryingSettings(60, planned_hours=6), at=shop.ago(hours=7))
    shop.load("South", "7DKMRX", 0.1)
