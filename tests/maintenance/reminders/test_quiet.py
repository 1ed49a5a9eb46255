"""How many reminders a shop gets that is in order: few enough to read."""

from itertools import cycle, islice

from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool
from maintenance.models import Reminder, ServiceKind, Toolhead
from maintenance.parts.fitting import fit_part
from maintenance.reminders.conditions.moisture import find_damp_spools
from maintenance.reminders.sweep import sweep
from spools.catalogue.importing import FIXTURES, write_rows
from spools.catalogue.sources import read_rows
from tests.maintenance.conftest import LONG_AGO, PRINT, toolhead
from tests.spools.conftest import feedstock, hours_ago, receive

PRINTERS = 6
# A week of one printer: printing hours, prints of four hours, km of filament at 15 g an hour.
HOURS_A_WEEK = 60
USED_A_WEEK = {
    "hours": HOURS_A_WEEK,
    "hot_h": HOURS_A_WEEK,
    "prints": HOURS_A_WEEK / 4,
    "feed_km": HOURS_A_WEEK * 0.015 * 0.335,
    "days": 7,
}


def test_default_services_fall_due_five_times_a_week_in_six_printers():
    rows = read_rows(FIXTURES / "service_kinds.csv")
    a_week = PRINTERS * sum(USED_A_WEEK[row["unit"]] / float(row["interval"]) for row in rows)
    assert 2 < a_week <= 5


def test_a_shop_of_forty_spools_in_order_has_at_most_twelve_reminders(shop):
    write_rows(ServiceKind, read_rows(FIXTURES / "service_kinds.csv"), restore=False)
    ServiceKind.objects.update(added_at=hours_ago(LONG_AGO))
    heads: list[Toolhead] = [shop.north, shop.south, *(toolhead(f"Printer {n}") for n in range(3, 7))]
    for head in heads[2:]:
        fit_part(head, shop.gears, at=hours_ago(LONG_AGO))
    petg = feedstock("PETG")
    loaded = [receive(shop.pla, shop.box, card="dry", net_mass_g=2000, width_mm=100) for _ in heads]
    for head, spool in zip(heads, loaded, strict=True):
        load_spool(head, spool, at=hours_ago(150), override_reason="a test")
        given = PRINT | {"mass_g": 900, "hours": HOURS_A_WEEK, "override_reason": "a test"}
        record_job(toolhead=head, spool=spool, start=hours_ago(140), **given)
    for material, place, sealed in islice(
        cycle([(shop.nylon, shop.bag, True), (shop.pla, shop.shelf, False), (petg, shop.shelf, False)]), 22
    ):
        receive(material, place, sealed=sealed)
    for material in islice(cycle([shop.nylon, petg]), 12):
        receive(material, shop.shelf, sealed=False)
    sweep()
    open_ = Reminder.objects.filter(ended_at=None)
    assert open_.count() <= 12, sorted(open_.values_list("condition", flat=True))
    assert not open_.filter(kind="dry").exclude(spool__in=loaded).exists()
    assert find_damp_spools().count() >= 6
