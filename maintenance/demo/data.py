"""The data of the demo shop. Shop, makers, products and events are made up."""

from typing import Any, NamedTuple


class Product(NamedTuple):
    maker: str
    polymer: str
    name: str
    colour: str
    reorder_point_g: float = 0
    filler: str = ""
    filler_mass_fraction: float = 0
    price_per_kg: int = 24


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
    project: str = ""
    # Why it failed; "" where it came out well.
    failure: str = ""


PRODUCTS = {
    "pla-white": Product("Quillmere Polymers", "PLA", "Everyday PLA", "white", 1500),
    "pla-graphite": Product("Quillmere Polymers", "PLA", "Everyday PLA", "graphite", 500),
    "petg": Product("Quillmere Polymers", "PETG", "Plain PETG", "clear", 500),
    "pa6": Product("Tolvik & Daughter", "PA6", "Gear Nylon", "natural", price_per_kg=52),
    "pa6-cf": Product("Tolvik & Daughter", "PA6", "Stiff Nylon", "black", 0, "carbon fibre", 0.15, 69),
    "pa12": Product("Tolvik & Daughter", "PA12", "Fine Nylon", "natural"),
    "tpu": Product("Hazelbrae Compounding", "TPU 95A", "Bend", "blue"),
    "abs": Product("Hazelbrae Compounding", "ABS", "Housing", "grey"),
    "asa": Product("Hazelbrae Compounding", "ASA", "Outdoors", "green"),
    "pc": Product("Hazelbrae Compounding", "PC", "Window", "clear", price_per_kg=45),
    "pva": Product("Quillmere Polymers", "PVA", "Rinse-away", "natural"),
}
# By the codes on printed demo labels.
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
# By role; invented, like all prices here.
PRICES = {"nozzle": 9, "gears": 18, "liner": 4, "surface": 32, "belts": 21, "carbon_filter": 15}
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
    Print(11.5, "jig, first try", 190, 11, 210, 60, project="workshop", failure="came off the bed"),
    Print(10, "jig", 205, 12, 210, 60, project="workshop"),
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

SOUTH_ASA = [
    Print(9, "rain cap", 130, 8, 250, 100, project="garden shed"),
    Print(8, "hose clips", 85, 5, 250, 100, project="garden shed"),
]

SHELF: dict[str, Any] = {
    "name": "Shelf",
    "kind": "shelf",
    "assumed_temperature_c": 21,
    "assumed_rh_pct": 50,
}
DRY_PLACES: list[dict[str, Any]] = [
    {"name": "Sealed bags", "kind": "bag", "film": "vacuum", "sachet_g": 10, "assumed_temperature_c": 21},
    {
        "name": "Dry box",
        "kind": "dry_box",
        "feeds": True,
        "volume_l": 30,
        "half_time_h": 55,
        "assumed_temperature_c": 21,
        "assumed_rh_pct": 15,
    },
    # Its gasket has come loose, and its hygrometer shows it.
    {
        "name": "Grey box",
        "kind": "dry_box",
        "volume_l": 30,
        "half_time_h": 60,
        "limit_rh_pct": 30,
        "assumed_temperature_c": 21,
        "assumed_rh_pct": 20,
    },
    # Without a hygrometer and with a lid that fits badly.
    {
        "name": "Old tub",
        "kind": "dry_box",
        "volume_l": 45,
        "half_time_h": 8,
        "assumed_temperature_c": 21,
        "assumed_rh_pct": 40,
    },
]
DRYERS: list[dict[str, Any]] = [
    {
        "name": name,
        "kind": "dryer",
        "max_set_point_c": hottest_c,
        "set_point_error_c": error_k,
        "spool_capacity": capacity,
        "moved_air": fan,
        "assumed_temperature_c": 21,
        "assumed_rh_pct": 50,
    }
    for name, hottest_c, error_k, capacity, fan in [
        ("Small dryer", 65, 5, 1, False),
        ("Big dryer", 110, 3, 4, True),
    ]
]
# Place, grams of silica gel, the temperature at which it was regenerated.
DESICCANT = [("Dry box", 120, 100), ("Old tub", 60, 65), ("Grey box", 150, 110)]
