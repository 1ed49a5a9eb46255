"""An invented shop of the demo's size, built through the same functions as the real one."""

from datetime import datetime, timedelta
from types import SimpleNamespace

from django.contrib.auth import get_user_model
from django.utils import timezone

from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool
from maintenance.machines.printers import add_printer, add_toolhead
from maintenance.models import Job, PartKind, Printer, Reminder, ServiceKind, Toolhead
from maintenance.parts.fitting import fit_part
from maintenance.parts.stock import add_stock
from spools.air.climate import record_readings
from spools.models import Filler, Place
from tests.maintenance.reminders.texts import texts
from tests.spools.conftest import feedstock, hours_ago, receive


def part_kind(role: str, name: str, **values) -> PartKind:
    given = {"material": "brass", "hardness_hv": 120, "life_unit": "feed_km", "life": 300, "life_low": 100}
    given |= {"life_high": 900, "source": "invented for tests", "how": "from memory", "price": "4.50"}
    return PartKind.objects.create(role=role, name=name, **(given | values))


def service_kind(name: str, **values) -> ServiceKind:
    given = {"work": "belts", "subject": "printer", "unit": "hours", "interval": 150, "how": "from memory"}
    given |= {"advice": "Machine off, then feel.", "source": "invented for tests"}
    return ServiceKind.objects.create(name=name, **(given | values))


def readings(place: Place, count: int, hours_apart: float = 1 / 12) -> None:
    now = timezone.now().replace(second=0, microsecond=0)
    rows = [(now - timedelta(hours=n * hours_apart), 21 + n % 5 / 2, 40 + n % 20) for n in range(count)]
    record_readings(place, rows, origin="api")


def small_shop() -> SimpleNamespace:
    """Three printers with four toolheads, fourteen spools in five places, parts fitted and in stock."""
    user = get_user_model().objects.create_user("ada", role="set_up", password="filament-and-dry-air")
    shelf = Place.objects.create(name="Open shelf", kind="shelf", assumed_rh_pct=50)
    bag = Place.objects.create(name="Bags", kind="bag", assumed_rh_pct=20)
    box = Place.objects.create(name="Dry box", kind="dry_box", assumed_rh_pct=15)
    dryer = Place.objects.create(name="Oven A", kind="dryer", max_set_point_c=90, room=shelf)
    fibre = Filler.objects.create(
        name="carbon fibre",
        density_g_cm3=1.8,
        hardness_hv=340,
        hardness_low_hv=310,
        hardness_high_hv=370,
        source="invented for tests",
        how="from memory",
    )
    nylon, pla = feedstock("PA6"), feedstock("PLA", reorder_point_g=1000)
    carbon = feedstock("PA12", colour="black", filler=fibre, filler_mass_fraction=0.15)
    brass = part_kind(
        "nozzle", "Brass nozzle", bore_mm=0.4, life_unit="dose_km", life=20, life_low=8, life_high=50
    )
    gears = part_kind("gears", "Steel gears", material="steel", hardness_hv=300)
    liner = part_kind("liner", "PTFE liner", material="PTFE", hardness_hv=None, max_c=240, life_unit="hot_h")
    long_ago = hours_ago(24 * 20)
    for kind in (brass, gears, liner):
        add_stock(kind, 6, at=long_ago, by=user)
    toolheads = []
    for name in ("North", "East", "South"):
        printer = Printer(name=name, bed_max_c=110)
        add_printer(printer, Toolhead(name="T0"), assumed_temperature_c=24, assumed_rh_pct=45)
        toolheads.append(printer.toolheads.get())
    toolheads.append(add_toolhead(toolheads[0].printer, Toolhead(name="T1")))
    for toolhead in toolheads[:3]:
        for kind in (brass, gears, liner):
            fit_part(toolhead, kind, at=long_ago, by=user)
    # First the one to load, PLA; then in turn nylon in the bag, filled PA12 in the box, PLA on the shelf.
    spools = [receive(pla, bag, core_material="pc")]
    for n in range(13):
        kind, home = [(nylon, bag), (carbon, box), (pla, shelf)][n % 3]
        spools.append(receive(kind, home, core_material="pc"))
    load_spool(toolheads[0], spools[0], override_reason="a test", at=hours_ago(5), by=user)
    readings(shelf, 300)
    belts = service_kind("belt check")
    cleaning = service_kind("hot-end cleaning", work="hot_end", subject="toolhead", unit="hot_h", interval=50)
    names = {
        "belts": belts,
        "cleaning": cleaning,
        "brass": brass,
        "gears": gears,
        "liner": liner,
        "nylon": nylon,
        "pla": pla,
        "carbon": carbon,
    }
    return SimpleNamespace(
        user=user, shelf=shelf, bag=bag, box=box, dryer=dryer, toolheads=toolheads, spools=spools, **names
    )


def local_input(at: datetime) -> str:
    """A time as a browser's date and time input sends it, in the shop's zone."""
    return f"{timezone.localtime(at):%Y-%m-%dT%H:%M}"


def a_reminder(shop, title: str = "Dry the nylon", **values) -> Reminder:
    given = {"kind": "dry", "condition": "dry:spool:1", "opened_at": timezone.now(), "spool": shop.spools[1]}
    given |= texts(title, "0.9 %, limit 0.75 %", "Dry it for 9 h at 70 °C.")
    return Reminder.objects.create(**(given | values))


def a_job(shop, **values) -> Job:
    given = {"toolhead": shop.toolheads[0], "spool": shop.spools[0], "name": "Bracket", "mass_g": 40}
    given |= {"hours": 2, "nozzle_c": 210, "bed_c": 60, "start": hours_ago(4), "override_reason": "a test"}
    return record_job(**(given | values))
