"""An invented shop of any size, written straight into the tables: for timings, and for counting queries.

Its facts are consistent and the same each time: spools were opened, lay in rooms, boxes and sensors' places,
went to machines and back, were printed from, dried and weighed over 60 days. `big_shop_caches` writes caches
for it.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import islice, pairwise
from random import Random

from django.core.management import call_command
from django.db.models import Model
from stdnum.iso7064 import mod_37_36

from maintenance.models import (
    Fitting,
    FlowBlob,
    FlowCheck,
    Job,
    JobEvent,
    JobUse,
    Part,
    PartKind,
    Printer,
    ServiceEntry,
    ServiceKind,
    StockEntry,
    Toolhead,
    WearEntry,
)
from maintenance.parts.wear_entries import COUNTED, filament_of, surface_of
from maintenance.wear.abrasion import PrintUse, wear
from spools import codes
from spools.models import (
    DesiccantCharge,
    DryingRun,
    Feedstock,
    Filler,
    Maker,
    MassEntry,
    Move,
    Place,
    Polymer,
    Reading,
    Spool,
    Stay,
)
from spools.statements import Statement

NOW = datetime(2026, 3, 2, 12, 5, tzinfo=UTC)
DAYS = 60
HOUR = timedelta(hours=1)
# As many places as 10,000 spools have, at least; more where there are more spools.
PLACES, SPOOLS_A_PLACE = 40, 250
ROOMS, BOXES, SENSED_BOXES, DRYERS = 4, 20, 6, 4
POLYMERS = ["PLA", "PETG", "ABS", "ASA", "PA6", "PA12", "TPU 95A", "PC", "PVA"]
COLOURS = ["natural", "black", "white", "grey"]
FITTED = ["hardened steel nozzle 0.4 mm", "hardened steel drive gears", "all-metal heat break"]
ON_PRINTER = ["PEI powder-coated build sheet", "belt set"]
RATES_MM3_S = [1.0, 4.0, 8.0, 12.0]
REEL_G = 200.0
REEL = {"core_mass_g": REEL_G, "core_mass_known": True, "core_radius_mm": 50, "width_mm": 60}


@dataclass
class RandomShop:
    """The rows made so far, and the only source of random numbers."""

    now: datetime
    chance: Random
    homes: list[Place] = field(default_factory=list)
    dryers: list[Place] = field(default_factory=list)
    feedstocks: list[Feedstock] = field(default_factory=list)
    toolheads: list[Toolhead] = field(default_factory=list)
    fitted: dict[int, list[Part]] = field(default_factory=dict)


def build(spools: int, machines: int, now: datetime = NOW) -> None:
    """Write the facts of a shop into an empty, migrated database."""
    call_command("load_catalogue", verbosity=0)
    shop = RandomShop(now, Random(7))
    _places(shop, max(PLACES, math.ceil(spools / SPOOLS_A_PLACE)))
    _feedstocks(shop)
    _machines(shop, machines)
    codes = _codes(shop.chance)
    for first in range(0, spools, 2000):
        _spools(shop, list(islice(codes, min(2000, spools - first))))
    _flow_checks(shop)


def add_rows(rows: Sequence[Model]) -> None:
    if rows:
        type(rows[0])._default_manager.bulk_create(rows, batch_size=2000)


# Places and their air


def _places(shop: RandomShop, count: int) -> None:
    scale = count / PLACES
    rooms = [
        Place(name=f"Room {n}", kind="shelf", assumed_temperature_c=21, assumed_rh_pct=45)
        for n in range(math.ceil(ROOMS * scale))
    ]
    add_rows(rooms)
    inside = [
        *(
            Place(name=f"Cabinet {n}", kind="dry_box", volume_l=900, half_time_h=60, assumed_rh_pct=15)
            for n in range(math.ceil(BOXES * scale))
        ),
        *(
            Place(name=f"Box with a sensor {n}", kind="dry_box", assumed_rh_pct=15)
            for n in range(math.ceil(SENSED_BOXES * scale))
        ),
        *(
            Place(name=f"Dryer {n}", kind="dryer", max_set_point_c=110, moved_air=True)
            for n in range(math.ceil(DRYERS * scale))
        ),
    ]
    for n, place in enumerate(inside):
        place.room = rooms[n % len(rooms)]
    add_rows(inside)
    left = count - len(rooms) - len(inside)
    shelves = [Place(name=f"Shelf {n}", kind="shelf", assumed_rh_pct=45) for n in range(left)]
    add_rows(shelves)
    boxes = [place for place in inside if place.volume_l]
    sensed = [place for place in inside if place.kind == "dry_box" and not place.volume_l]
    shop.dryers = [place for place in inside if place.kind == "dryer"]
    shop.homes = [*rooms, *boxes, *sensed, *shelves]
    add_rows(
        [
            DesiccantCharge(
                place=box,
                kind="silica_gel",
                dry_mass_g=8000,
                condition="regenerated",
                regenerated_c=120,
                at=shop.now - timedelta(days=days, hours=n % 24),
            )
            for n, box in enumerate(boxes)
            for days in (DAYS, 35, 12)
        ]
    )
    for place in rooms:
        _read(shop, place, 4, 45)
    for place in shelves:
        _read(shop, place, 1, 45)
    for place in sensed:
        _read(shop, place, 1, 18)


def _read(shop: RandomShop, place: Place, an_hour: int, rh_pct: float) -> None:
    """A sensor's readings: a day's swing and damp spells."""
    first, rows = shop.now - timedelta(days=DAYS), []
    phase = shop.chance.random()
    for n in range(DAYS * 24 * an_hour):
        hours = n / an_hour
        day, spell = math.sin(hours / 24 * 2 * math.pi), math.sin((hours / 170 + phase) * 2 * math.pi)
        rows.append(
            Reading(
                place=place,
                at=first + hours * HOUR,
                temperature_c=round(21 + 1.5 * day + 0.1 * shop.chance.gauss(), 1),
                rh_pct=round(rh_pct * (1 - 0.06 * day + 0.15 * spell + 0.01 * shop.chance.gauss()), 1),
                origin="api",
            )
        )
    add_rows(rows)


def _feedstocks(shop: RandomShop) -> None:
    maker, _ = Maker.objects.get_or_create(name="Example Works")
    fibre = Filler.objects.get(name="carbon fibre")
    polymers = Polymer.objects.in_bulk(POLYMERS, field_name="name")
    for n, name in enumerate(POLYMERS):
        for colour in COLOURS:
            filled = name == "PA6" and colour == "black"
            shop.feedstocks.append(
                Feedstock(
                    maker=maker,
                    polymer=polymers[name],
                    name=name,
                    colour=colour,
                    filler=fibre if filled else None,
                    filler_mass_fraction=0.15 if filled else 0.0,
                    reorder_point_g=5000 if n < 3 else 0,
                )
            )
    add_rows(shop.feedstocks)


# Machines


def _machines(shop: RandomShop, count: int) -> None:
    places = [Place(name=f"Machine {n}", kind="printer", assumed_rh_pct=35) for n in range(count)]
    add_rows(places)
    printers = [
        Printer(name=place.name, place=place, bed_max_c=120, enclosed=n % 2 == 0)
        for n, place in enumerate(places)
    ]
    add_rows(printers)
    shop.toolheads = [Toolhead(printer=printer, name="T0", hot_end_max_c=320) for printer in printers]
    add_rows(shop.toolheads)
    kinds = PartKind.objects.in_bulk(FITTED + ON_PRINTER, field_name="name")
    add_rows(
        [StockEntry(kind=kind, at=shop.now - timedelta(days=DAYS), change=20) for kind in kinds.values()]
    )
    parts, fittings = [], []
    for toolhead in shop.toolheads:
        for name in FITTED + ON_PRINTER:
            site = {"toolhead": toolhead} if name in FITTED else {"printer": toolhead.printer}
            part, worn = Part(kind=kinds[name]), Part(kind=kinds[name])
            changed = shop.now - timedelta(days=shop.chance.uniform(20, DAYS - 1))
            parts += [worn, part]
            common = {"role": kinds[name].role, **site}
            first = shop.now - timedelta(days=DAYS)
            fittings.append(Fitting(part=worn, start=first, end=changed, removal="worn", **common))
            fittings.append(Fitting(part=part, start=changed, **common))
            shop.fitted.setdefault(toolhead.pk, []).append(part)
    add_rows(parts)
    add_rows(fittings)
    add_rows(
        [
            ServiceEntry(
                kind=kind,
                printer=toolhead.printer,
                toolhead=toolhead if kind.subject == ServiceKind.Subject.TOOLHEAD else None,
                at=shop.now - timedelta(days=days),
            )
            for kind in ServiceKind.objects.all()
            for toolhead in shop.toolheads
            for days in (40, 10)
            if kind.subject != ServiceKind.Subject.ENCLOSED or toolhead.printer.enclosed
        ]
    )


def _flow_checks(shop: RandomShop) -> None:
    """Six of each toolhead over two weeks, its gears slipping a little more each time."""
    spools = list(Spool.objects.order_by("pk").select_related("feedstock__polymer")[: len(shop.toolheads)])
    checks = []
    for toolhead, spool in zip(shop.toolheads, spools, strict=False):
        for n in range(6):
            entry = MassEntry(spool=spool, kind="removed", net_change_g=-10)
            entry.at = shop.now - timedelta(days=14 - 2 * n, minutes=toolhead.pk)
            check = FlowCheck(toolhead=toolhead, spool=spool, at=entry.at, nozzle_c=220, entry=entry)
            check.length_mm, check.resolution_g = 200, 0.001
            check.diameter_mm, check.diameter_tolerance_mm = 1.75, 0.05
            checks.append(check)
    add_rows([check.entry for check in checks])
    add_rows(checks)
    blobs = []
    for number, check in enumerate(checks):
        density_g_cm3 = filament_of(check.spool.feedstock).density_g_cm3
        full_g = math.pi * check.diameter_mm**2 / 4 * check.length_mm * density_g_cm3 / 1000
        for rate in RATES_MM3_S:
            loss = 0.004 * (1 + 0.2 * (number % 6)) * (rate - RATES_MM3_S[0])
            for repeat, share in enumerate((0.998, 1, 1.002), start=1):
                mass_g = round(full_g * (1 - loss) * share, 3)
                blobs.append(FlowBlob(flow_check=check, flow_mm3_s=rate, repeat=repeat, mass_g=mass_g))
    add_rows(blobs)


# Spools and what happened to them


def _codes(chance: Random) -> Iterator[str]:
    issued: set[str] = set()
    while True:
        payload = "".join(chance.choices(codes.ALPHABET, k=codes.LENGTH - 1))
        code = payload + mod_37_36.calc_check_digit(payload)
        if code not in issued and codes.issuable(code):
            issued.add(code)
            yield code


@dataclass
class _Past:
    """The facts of a chunk of spools."""

    stays: list[Stay] = field(default_factory=list)
    entries: list[MassEntry] = field(default_factory=list)
    runs: list[DryingRun] = field(default_factory=list)
    jobs: list[Job] = field(default_factory=list)
    events: list[JobEvent] = field(default_factory=list)
    uses: list[JobUse] = field(default_factory=list)


def _spools(shop: RandomShop, codes: Iterable[str]) -> None:
    chance, past, spools = shop.chance, _Past(), []
    for code in codes:
        spools.append(
            Spool(
                code=code,
                feedstock=chance.choice(shop.feedstocks),
                core_material="cardboard" if chance.random() < 0.3 else "abs",
                **REEL,
                sealed=chance.random() < 0.7,
                card="dry" if chance.random() < 0.5 else "unknown",
                received_at=_minute(shop.now - timedelta(days=chance.uniform(15, DAYS - 1))),
            )
        )
    add_rows(spools)
    for spool in spools:
        _live(shop, spool, past)
    for stay in past.stays:
        stay.move = Move(spool=stay.spool, place=stay.place, at=stay.start)
    add_rows([stay.move for stay in past.stays])
    for rows in (past.stays, past.entries, past.runs, past.jobs, past.events, past.uses):
        add_rows(rows)
    add_rows([entry for use in past.uses for entry in _worn(shop, use)])


def _live(shop: RandomShop, spool: Spool, past: _Past) -> None:
    """Its past in turns: jobs on a machine, perhaps a drying run, between them in one of two places."""
    chance, grams, homes = shop.chance, 1000.0, shop.chance.sample(shop.homes, 2)
    turns = ["print"] * chance.randint(2, 5) + ["dry"] * (chance.random() < 0.5)
    chance.shuffle(turns)
    span = (shop.now - 12 * HOUR - spool.received_at) / (len(turns) + 1)
    times = [_minute(spool.received_at + (n + chance.uniform(0.6, 1)) * span) for n in range(len(turns))]
    past.entries.append(MassEntry(spool=spool, kind="received", at=spool.received_at, net_change_g=grams))
    stay_start = spool.received_at
    for turn, start in zip(turns, times, strict=True):
        end = start + timedelta(hours=round(chance.uniform(3, 10), 1))
        past.stays.append(Stay(spool=spool, place=chance.choice(homes), start=stay_start, end=start))
        if turn == "print":
            toolhead, mass_g = chance.choice(shop.toolheads), round(chance.uniform(20, 150), 1)
            past.stays.append(Stay(spool=spool, place=toolhead.printer.place, start=start, end=end))
            grams -= mass_g
            _print(spool, toolhead, mass_g, start, end, past)
        else:
            dryer = chance.choice(shop.dryers)
            past.stays.append(Stay(spool=spool, place=dryer, start=start, end=end))
            past.runs.append(_run(spool, dryer, start, end))
        if chance.random() < 0.6:
            gross_g = round(REEL_G + grams * chance.uniform(1.0, 1.004))
            past.entries.append(MassEntry(spool=spool, kind="weighed", at=end, gross_g=gross_g))
        stay_start = end
    if chance.random() < 0.01:
        dryer, start = chance.choice(shop.dryers), _minute(shop.now - chance.uniform(2, 11) * HOUR)
        past.stays.append(Stay(spool=spool, place=chance.choice(homes), start=stay_start, end=start))
        past.runs.append(_run(spool, dryer, start, None))
        past.stays.append(Stay(spool=spool, place=dryer, start=start))
    else:
        past.stays.append(Stay(spool=spool, place=chance.choice(homes), start=stay_start))
    _joined(past.stays)


def _joined(stays: list[Stay]) -> None:
    """A spool does not move to where it is: such a stay goes on."""
    for before, after in pairwise(list(stays[-12:])):
        if before.spool_id == after.spool_id and before.place_id == after.place_id:
            after.start = before.start
            stays.remove(before)


def _minute(at: datetime) -> datetime:
    return at.replace(second=0, microsecond=0)


def _run(spool: Spool, dryer: Place, start: datetime, end: datetime | None) -> DryingRun:
    cap_c, set_c = spool.feedstock.polymer.dry_cap_c, spool.feedstock.polymer.dry_set_c
    return DryingRun(
        spool=spool,
        dryer=dryer,
        set_point_c=set_c,
        start_cap_c=cap_c,
        cap_c=cap_c,
        cap_reason=Statement("cap.drying", {"polymer": str(spool.feedstock.polymer)}),
        planned_hours=8,
        target_pct=0.1,
        start=start,
        end=end,
    )


def _print(spool: Spool, head: Toolhead, mass_g: float, start: datetime, end: datetime, past: _Past) -> None:
    job = Job(printer=head.printer, name="bracket", start=start, end=end, hours=(end - start) / HOUR)
    job.nozzle_c, job.bed_c = spool.feedstock.polymer.nozzle_min_c, 60
    job.state, job.stage = "clear", "finished"
    facts = {"hours": job.hours, "shares": [{"toolhead": head.pk, "spool": spool.pk, "mass_g": mass_g}]}
    past.events.append(JobEvent(job=job, kind="started", at=start, state="clear", **facts))
    past.events.append(JobEvent(job=job, kind="finished", at=end, **facts))
    past.entries.append(entry := MassEntry(spool=spool, kind="printed", at=start, net_change_g=-mass_g))
    past.jobs.append(job)
    past.uses.append(JobUse(job=job, toolhead=head, spool=spool, mass_g=mass_g, entry=entry))


def _worn(shop: RandomShop, use: JobUse) -> Iterator[WearEntry]:
    """On the parts that are fitted now; those before them keep none."""
    print_use = PrintUse(use.mass_g / 1000, use.job.hours, use.job.nozzle_c, 0, 1)
    for part in shop.fitted[use.toolhead_id]:
        worn = wear(print_use, filament_of(use.spool.feedstock), surface_of(part.kind))
        values = {unit: getattr(worn, unit) for unit in COUNTED}
        yield WearEntry(part=part, use=use, mass_g=use.mass_g, **values)
