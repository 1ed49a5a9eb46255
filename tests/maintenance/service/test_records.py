from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.machines.printers import add_toolhead
from maintenance.models import Loading, Reminder, ServiceEntry, ServiceKind, Toolhead
from maintenance.parts.wear_entries import filament_of
from maintenance.readiness.builder import verdict, verdicts
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD
from maintenance.reminders.sweep import sweep
from maintenance.service import intervals
from maintenance.service.intervals import ServiceStatus, load_service_statuses
from maintenance.service.records import record_service, save_kind
from maintenance.wear.abrasion import PrintUse
from maintenance.wear.intervals import units_of_print
from spools.board import board
from spools.facts import withdraw
from spools.statements import Statement
from tests.maintenance.conftest import PRINT, toolhead
from tests.maintenance.readiness.test_rules import acts, says
from tests.refusals import refuses
from tests.restored import built_once
from tests.spools.conftest import hours_ago, receive

SMALL = JobSpec(50, 2, 205, 55)


def service(name: str, **values) -> ServiceKind:
    """Added long before anything was printed, where nothing else is said."""
    given = {"work": "other", "subject": "printer", "unit": "hours", "interval": 10, "advice": "Do it."}
    given["added_at"] = hours_ago(1000)
    given |= {"source": "invented for tests", "how": "memory"}
    return save_kind(ServiceKind(name=name, **(given | values)))


@pytest.fixture
def cleaning(shop) -> ServiceKind:
    return service("hot-end cleaning", work="hot_end", subject="toolhead", unit="hot_h", interval=10)


@pytest.fixture
def belts(shop) -> ServiceKind:
    return service("belt check", work="belts")


@built_once
def loaded(shop, plain):
    """Plain PLA on south since ten days."""
    load_spool(shop.south, plain, at=hours_ago(239), override_reason="a test")
    return plain


def printed(shop, spool, hours: float, ago: float, **values):
    """So many hours of printing that began so many hours ago."""
    given = PRINT | {"name": f"print {ago} h ago", "hours": hours, "override_reason": "a test"}
    start = values.pop("start", hours_ago(ago))
    return record_job(toolhead=values.pop("on", shop.south), spool=spool, start=start, **(given | values))


def status(kind: ServiceKind, on: Toolhead, at=None) -> ServiceStatus:
    found = load_service_statuses([Toolhead.objects.select_related("printer").get(pk=on.pk)], at)
    [item] = [status for status in found if status.kind == kind]
    return item


def check(name: str, on: Toolhead, spool, job: JobSpec = SMALL):
    return next((check for check in verdict(on, spool, job).checks if check.name == name), None)


# Counting


@pytest.mark.parametrize(
    ("unit", "used"),
    # 50 g of PLA are 16.8 m of filament (checks.md: 335 m a kilogram); 205 °C is the middle of its window.
    [("hours", 7.0), ("hot_h", 7.0), ("feed_km", 0.0336), ("prints", 2.0)],
)
def test_jobs_are_counted_in_the_unit_that_matters(shop, loaded, unit, used):
    kind = service("some work", subject="toolhead", unit=unit)
    printed(shop, loaded, 4, 30)
    printed(shop, loaded, 3, 20)
    since = status(kind, shop.south).since
    assert since.used == pytest.approx(used, rel=0.01)
    assert not since.recorded


def test_neither_queries_nor_rows_grow_with_the_prints(shop, loaded, cleaning, belts):
    def loads() -> tuple[int, int]:
        at = timezone.now()
        toolheads = list(Toolhead.objects.select_related("printer"))
        with CaptureQueriesContext(connection) as queries:
            load_service_statuses(toolheads, at)
        kinds, printers = list(ServiceKind.objects.all()), {t.printer_id: t.printer for t in toolheads}
        last = intervals._last_entries(kinds, printers, at)
        never_done = {hours_ago(1000)}
        uses = intervals._load_uses(printers, never_done, [pk for pk, _ in last.values()], at)
        sums = [*uses.between.values(), *uses.since_service.values()]
        return len(queries), sum(len(rows) for rows in sums)

    for ago in (120, 60, 30):
        printed(shop, loaded, 1, ago)
    for at in (110, 50):
        record_service(cleaning, toolhead=shop.south, at=hours_ago(at))
    record_service(belts, printer=shop.south.printer, at=hours_ago(100))
    few = loads()
    for ago in (115, 105, 55, 45, 40, 20, 10):
        printed(shop, loaded, 1, ago)
    record_service(cleaning, toolhead=shop.south, at=hours_ago(48))
    assert loads() == few


def test_prints_before_all_counts_are_not_loaded_and_the_rate_is_that_of_a_month(shop, loaded, belts):
    printed(shop, loaded, 4, 200)
    record_service(belts, printer=shop.south.printer, at=hours_ago(30))
    printed(shop, loaded, 6, 20)
    at = timezone.now() + timedelta(days=25)
    found = status(belts, shop.south, at)
    assert found.since.used == pytest.approx(6)
    assert found.since.per_day == pytest.approx(6 / 30)
    uses = intervals._load_uses([shop.south.printer_id], set(), [belts.entries.get().pk], at)
    [(_, recent)] = uses.between[shop.south.printer_id, None]
    assert (recent.hours, uses.first((shop.south.printer_id, None)) < at - timedelta(days=30)) == (6, True)


@pytest.mark.parametrize("unit", ["hours", "prints", "hot_h", "feed_km"])
@pytest.mark.parametrize("done_h_ago", [None, 50])
def test_the_count_is_the_sum_over_the_prints_since(shop, loaded, unit, done_h_ago):
    """Those that began with the service or later, with the prints of another toolhead left out."""
    kind = service("some work", subject="toolhead", unit=unit)
    if done_h_ago is not None:
        record_service(kind, toolhead=shop.south, at=hours_ago(200))
        record_service(kind, toolhead=shop.south, at=hours_ago(done_h_ago))
    done_at = status(kind, shop.south).last
    second = receive(shop.nylon, shop.box)
    load_spool(shop.north, second, at=hours_ago(239), override_reason="a test")
    printed(shop, second, 9, 25, on=shop.north, nozzle_c=265)
    jobs = [printed(shop, loaded, hours, ago) for hours, ago in ((4, 60), (5, 40), (2, 20))]
    if done_at is not None:
        jobs.append(printed(shop, loaded, 3, 1, start=done_at))
    used = sum(
        units_of_print(unit, PrintUse(0.05, job.hours, job.nozzle_c), filament_of(loaded.feedstock))
        for job in jobs
        if done_at is None or job.start >= done_at
    )
    assert status(kind, shop.south).since.used == pytest.approx(used)


def test_days_are_counted_by_the_calendar_from_the_first_job(shop, loaded):
    kind = service("yearly look", unit="days", interval=365)
    assert status(kind, shop.south).since.used == 0
    printed(shop, loaded, 4, 48)
    assert status(kind, shop.south).since.used == pytest.approx(2, abs=0.01)
    record_service(kind, printer=shop.south.printer, at=hours_ago(12))
    assert status(kind, shop.south).since.used == pytest.approx(0.5, abs=0.01)


def test_hot_hours_weigh_more_the_hotter_it_was(shop, loaded, cleaning):
    printed(shop, loaded, 4, 30, nozzle_c=235)
    # PLA has 96 kJ/mol (wear_values.csv): exp(96000 / 8.314 * (1 / 478.15 - 1 / 508.15)) = 4.16.
    assert status(cleaning, shop.south).since.used == pytest.approx(4 * 4.16, rel=0.002)


def test_a_job_of_two_toolheads_counts_once_for_the_printer_and_for_each_of_them(
    shop, loaded, cleaning, belts
):
    second = add_toolhead(shop.south.printer, Toolhead(name="T1"))
    other = receive(shop.pla, shop.box)
    load_spool(second, other, at=hours_ago(100), override_reason="a test")
    job = printed(shop, loaded, 4, 30)
    entry = other.mass_entries.create(kind="printed", at=job.start, net_change_g=-5)
    job.uses.create(toolhead=second, spool=other, mass_g=5, entry=entry)
    assert status(belts, shop.south).since.used == status(belts, second).since.used == 4
    assert status(cleaning, second).since.used == pytest.approx(4)


def test_another_machines_jobs_and_withdrawn_jobs_do_not_count(shop, loaded, belts):
    withdraw(printed(shop, loaded, 4, 30), reason="a mistake")
    assert status(belts, shop.south).since.used == 0
    printed(shop, loaded, 3, 20)
    assert status(belts, shop.north).since.used == 0
    assert status(belts, shop.south, hours_ago(25)).since.used == 0


def test_a_job_of_two_spools_on_one_toolhead_counts_its_hours_once_and_each_filament(shop, loaded):
    kinds = {unit: service(unit, unit=unit, subject="toolhead") for unit in ("hours", "prints", "feed_km")}
    other = receive(shop.nylon, shop.box)
    job = printed(shop, loaded, 4, 30)
    feed_km = status(kinds["feed_km"], shop.south).since.used
    entry = other.mass_entries.create(kind="printed", at=job.start, net_change_g=-5)
    job.uses.create(toolhead=shop.south, spool=other, mass_g=5, entry=entry)
    used = {unit: status(kind, shop.south).since.used for unit, kind in kinds.items()}
    assert (used["hours"], used["prints"]) == (4, 1) and used["feed_km"] > feed_km


def test_the_rate_of_use_is_that_of_the_last_thirty_days(shop, plain):
    load_spool(shop.south, plain, at=hours_ago(239), override_reason="a test")
    kind = service("belt check", unit="hours", interval=13)
    ServiceKind.objects.update(added_at=None)
    job = printed(shop, plain, 9, 100)
    job.start = hours_ago(24 * 60)
    job.save()
    printed(shop, plain, 3, 30)
    # 3 h in 30 days: the hour that is left takes 10 days.
    assert status(kind, shop.south).since.days_left == pytest.approx(10)


def test_the_rate_of_a_young_machine_counts_from_its_first_of_several_jobs(shop, loaded, belts):
    for hours, days in ((4, 9), (2, 8)):
        printed(shop, loaded, hours, days * 24)
    # 6 h in 9 days: the 4 h that are left take 6 days.
    assert status(belts, shop.south).since.days_left == pytest.approx(6, rel=1e-3)


def test_days_go_by_one_a_day_from_the_first_of_several_jobs(shop, loaded):
    kind = service("yearly look", unit="days", interval=5)
    for days in (2, 1):
        printed(shop, loaded, 1, 24 * days)
    since = status(kind, shop.south).since
    assert (since.used, since.days_left) == pytest.approx((2, 3), abs=0.01)


def test_before_a_service_was_added_it_had_counted_no_days(shop, loaded):
    printed(shop, loaded, 1, 100)
    kind = service("yearly look", unit="days", added_at=hours_ago(24))
    assert status(kind, shop.south, hours_ago(30)).since.used == 0


@pytest.mark.parametrize(("added_ago", "from_added_on"), [(31, False), (30, False), (29, True)])
def test_a_service_counts_from_the_first_job_unless_it_was_added_later(
    shop, loaded, added_ago, from_added_on
):
    job = printed(shop, loaded, 4, 30)
    kind = service("door", added_at=job.start + timedelta(hours=30 - added_ago))
    found = status(kind, shop.south)
    assert found.count_start == (kind.added_at if from_added_on else None)
    assert (found.counted_since == Statement("service.since_first_job")) is not from_added_on
    assert found.since.used == (0 if from_added_on else 4)


def test_a_service_names_the_toolhead_or_the_printer_and_concerns_its_toolheads(shop, cleaning, belts):
    second = add_toolhead(shop.south.printer, Toolhead(name="T1"))
    east = toolhead("East")
    clean, belt = status(cleaning, shop.south), status(belts, shop.south)
    assert (clean.since.where, belt.since.where) == (str(shop.south), "South")
    concerned = {
        found.kind.name: [found.concerns(head) for head in (shop.north, shop.south, second, east)]
        for found in (clean, belt)
    }
    assert concerned == {
        "hot-end cleaning": [False, True, False, False],
        "belt check": [False, True, True, False],
    }


@pytest.mark.parametrize(
    ("unit", "added"), [("hours", 12), ("days", 0.5), ("prints", 1), ("feed_km", 0.0168), ("hot_h", 12)]
)
def test_a_print_adds_to_the_count_in_its_unit(shop, unit, added):
    print_use = PrintUse(mass_kg=0.05, hours=12, nozzle_c=205)
    assert units_of_print(unit, print_use, filament_of(shop.pla)) == pytest.approx(added, rel=0.01)


def test_when_it_is_due_follows_the_rate_of_use(shop, loaded, belts):
    printed(shop, loaded, 6, 30)
    # 6 h in 7 days, the least: the 4 h that are left take 14/3 days.
    assert status(belts, shop.south).since.days_left == pytest.approx(14 / 3)
    printed(shop, loaded, 6, 20)
    assert status(belts, shop.south).since.days_left == 0


def test_a_young_machines_rate_is_that_of_the_days_since_its_first_job(shop, loaded, belts):
    printed(shop, loaded, 6, 9 * 24)
    # 6 h in 9 days: the 4 h that are left take 6 days.
    assert status(belts, shop.south).since.days_left == pytest.approx(6, rel=1e-3)


@pytest.mark.parametrize(("unit", "used"), [("hours", 3), ("prints", 1), ("days", 1)])
def test_an_own_service_counts_from_the_day_it_was_added(shop, loaded, unit, used):
    printed(shop, loaded, 6, 100)
    kind = service("door", unit=unit, stops=True, added_at=hours_ago(24))
    printed(shop, loaded, 3, 20)
    found = status(kind, shop.south)
    assert found.since.used == pytest.approx(used, abs=0.01) and not found.since.recorded
    assert found.counted_since == Statement("service.since_added", {"at": kind.added_at.isoformat()})
    new = service("hinges", unit=unit, interval=0.1, stops=True, added_at=None)
    assert status(new, shop.south).since.used == pytest.approx(0, abs=0.001)


def test_a_name_in_other_capitals_is_the_same_service(shop, belts):
    with refuses("name_taken"):
        service("Belt Check")
    belts.name = "Belt check"
    assert save_kind(belts).name == "Belt check"


def test_an_enclosures_filter_is_asked_for_where_there_is_one(shop):
    kind = service("filter change", subject="enclosed")
    assert status(kind, shop.south)
    open_ = toolhead("Open", enclosed=False)
    assert load_service_statuses(Toolhead.objects.filter(pk=open_.pk).select_related("printer")) == []
    with refuses("no_enclosure"):
        record_service(kind, printer=open_.printer)


def test_a_service_kind_out_of_use_is_never_due(shop, belts):
    belts.in_use = False
    save_kind(belts)
    assert load_service_statuses(Toolhead.objects.select_related("printer")) == []


# Recording


def test_a_recorded_service_restarts_the_count(shop, loaded, belts):
    printed(shop, loaded, 6, 30)
    entry = record_service(belts, printer=shop.south.printer, at=hours_ago(20), note="slack", by=shop.user)
    assert (entry.toolhead, entry.recorded_by, entry.note) == (None, shop.user, "slack")
    found = status(belts, shop.south)
    assert (found.since.used, found.last, found.since.recorded) == (0, entry.at, True)
    assert status(belts, shop.south, hours_ago(25)).since.used == 6


def test_a_service_is_withdrawn_once_and_stays_on_record(shop, loaded, belts):
    printed(shop, loaded, 6, 30)
    entry = record_service(belts, printer=shop.south.printer)
    withdraw(entry, reason="a mistake")
    assert status(belts, shop.south).since.used == 6
    assert ServiceEntry.objects.get().withdrawn_at is not None
    with refuses("withdrawn_already"):
        withdraw(entry, reason="a mistake")


@pytest.mark.parametrize(
    ("values", "code", "field"),
    [
        ({}, "printer_missing", "printer"),
        ({"toolhead": True}, "whole_printer", "toolhead"),
        ({"printer": True, "at": timedelta(hours=5)}, "in_the_future", "at"),
        ({"printer": True, "note": "x" * 201}, "too_long", "note"),
    ],
)
def test_impossible_input_is_refused_and_nothing_is_stored(shop, belts, values, code, field):
    given = dict(values)
    if "printer" in given:
        given["printer"] = shop.south.printer
    if "toolhead" in given:
        given["toolhead"] = shop.south
    if "at" in given:
        given["at"] = timezone.now() + given["at"]
    with refuses(code, field):
        record_service(belts, **given)
    assert not ServiceEntry.objects.exists()


def test_a_toolheads_service_needs_its_toolhead(shop, cleaning):
    with refuses("toolhead_missing"):
        record_service(cleaning, printer=shop.south.printer)
    assert record_service(cleaning, toolhead=shop.south).printer == shop.south.printer


@pytest.mark.parametrize(
    "wrong",
    [
        {"interval": float("nan")},
        {"interval": 0},
        {"unit": "hot_h"},
        {"unit": "feed_km"},
        {"work": "gears"},
        {"name": ""},
        {"source": ""},
    ],
)
def test_kinds_that_cannot_be_are_refused(shop, wrong):
    with pytest.raises(ValidationError):
        service(**({"name": "some work"} | wrong))
    assert not ServiceKind.objects.exists()


# Readiness


def test_service_that_comes_due_before_the_job_ends_is_a_caution_with_both_numbers(shop, loaded, belts):
    printed(shop, loaded, 7, 30)
    assert check("service", shop.south, loaded).state == CLEAR
    found = check("service", shop.south, loaded, JobSpec(50, 3, 205, 55))
    assert found.state == CAUTION and acts(found, "service", "do_service")
    count = {"where": "South", "done": 10, "interval": 10, "unit": "hours", "service": "belt check"}
    assert says(found, "service_due", **count)


def test_overdue_service_holds_only_where_it_stops_the_machine(shop, loaded, belts):
    printed(shop, loaded, 11, 30)
    assert check("service", shop.south, loaded).state == CAUTION
    belts.stops = True
    save_kind(belts)
    assert check("service", shop.south, loaded).state == HOLD
    assert check("service", shop.north, loaded).state == CLEAR
    record_service(belts, printer=shop.south.printer)
    assert check("service", shop.south, loaded).state == CLEAR


def test_several_that_are_due_are_named(shop, loaded, belts):
    service("look over", interval=5)
    printed(shop, loaded, 11, 30)
    found = check("service", shop.south, loaded)
    assert says(found, "service_due", service="look over", others=["belt check"])


def test_residue_above_its_hot_hours_is_a_caution_until_it_is_cleaned(shop, loaded, cleaning):
    printed(shop, loaded, 9, 30)
    found = check("residue", shop.south, loaded)
    assert found.state == CAUTION and acts(found, "clean", "clean_hot_end")
    assert says(found, "hot_end_count", interval=10, unit="hot_h", recorded=False)
    assert found.statement.values["done"] == pytest.approx(11, abs=0.5)
    assert check("service", shop.south, loaded) is None
    record_service(cleaning, toolhead=shop.south)
    assert check("residue", shop.south, loaded).state == CLEAR


def test_leftovers_of_a_hotter_material_are_a_caution_until_the_next_print(shop, wet, loaded):
    unload_spool(Loading.objects.get(end=None), shop.box, at=hours_ago(30))
    load_spool(shop.south, wet, at=hours_ago(29), override_reason="a test")
    found = check("residue", shop.south, loaded)
    assert found.state == CAUTION and acts(found, "purge")
    assert found.statement.code == "purging.leftovers_do_not_melt"
    assert (found.statement.values["old"], found.statement.values["old_min_c"]) == ("PA6", 245)
    unload_spool(Loading.objects.get(end=None), shop.box, at=hours_ago(20))
    load_spool(shop.south, loaded, at=hours_ago(19), override_reason="a test")
    assert check("residue", shop.south, loaded).state == CAUTION
    printed(shop, loaded, 1, 10)
    assert check("residue", shop.south, loaded) is None


def test_the_other_way_round_the_leftovers_melt_out(shop, wet, loaded):
    found = check("residue", shop.south, wet, JobSpec(50, 2, 265, 80))
    assert found.state == CLEAR and found.statement.code == "purging.leftovers_char"
    same = receive(shop.pla, shop.box)
    assert check("residue", shop.south, same) is None


def test_with_services_many_pairs_take_as_many_queries_as_one(shop, loaded, cleaning, belts):
    printed(shop, loaded, 4, 30)
    spools = [loaded, *(receive(feedstock, shop.box) for feedstock in (shop.pla, shop.nylon))]
    board.refresh([spool.pk for spool in spools])
    with CaptureQueriesContext(connection) as item:
        # Nylon: the unknowns that decide about it are named, too.
        verdicts([(shop.south, spools[-1])])
    with CaptureQueriesContext(connection) as many:
        verdicts([(toolhead, spool) for toolhead in Toolhead.objects.all() for spool in spools])
    assert len(many) - 1 <= len(item) <= 27


# Reminders


def due(kind: str) -> list[Reminder]:
    return list(Reminder.objects.filter(kind=kind, ended_at=None))


@pytest.mark.django_db(transaction=True)
def test_an_overdue_service_raises_one_reminder_with_the_job_and_ends_when_done(
    shop, loaded, cleaning, belts
):
    printed(shop, loaded, 11, 30)
    [clean], [belt] = due("clean"), due("service")
    assert (clean.toolhead, clean.printer) == (shop.south, shop.south.printer)
    assert clean.title == "Hot-end cleaning on South T0"
    values = clean.reason.values
    assert (values["used"], values["unit"], values["interval"]) == (11, "hot_h", 10)
    assert values["counted_since"]["code"] == "service.since_first_job"
    assert (belt.toolhead, belt.title) == (None, "Belt check on South")
    assert sweep().opened == 0
    entry = record_service(belts, printer=shop.south.printer)
    assert due("service") == [] and due("clean") == [clean]
    withdraw(entry, reason="a mistake")
    assert len(due("service")) == 1
    belt.refresh_from_db()
    assert belt.ending == "resolved"
    printed(shop, loaded, 1, 15)
    record_service(cleaning, toolhead=shop.south, at=hours_ago(16))
    assert due("clean") == []


@pytest.mark.django_db(transaction=True)
def test_a_reminder_names_the_start_of_its_count(shop, loaded, belts):
    entry = record_service(belts, printer=shop.south.printer, at=hours_ago(40))
    printed(shop, loaded, 12, 30)
    values = due("service")[0].reason.values
    assert (values["used"], values["unit"], values["interval"]) == (12, "hours", 10)
    assert values["counted_since"] == Statement("service.since_last", {"at": entry.at.isoformat()}).as_data()


@pytest.mark.django_db(transaction=True)
def test_a_longer_interval_ends_it_and_a_printer_out_of_use_needs_nothing(shop, loaded, belts):
    printed(shop, loaded, 11, 30)
    belts.interval = 100
    save_kind(belts)
    assert due("service") == []
    belts.interval = 10
    save_kind(belts)
    assert len(due("service")) == 1
    printer = shop.south.printer
    printer.retired_at = timezone.now()
    printer.save()
    sweep()
    assert due("service") == []


def test_the_catalogue_brings_services_with_their_sources(db):
    call_command("load_catalogue", verbosity=0)
    kinds = ServiceKind.objects.all()
    assert {"hot_end", "gears", "surface", "lubrication", "belts", "filter"} <= {kind.work for kind in kinds}
    assert {kind.unit for kind in kinds} == set(ServiceKind.Unit.values)
    for kind in kinds:
        kind.full_clean()
        assert "source" in kind.source and kind.advice.endswith(".")
    corrected = kinds.get(name="belt tension check")
    corrected.interval = 77
    save_kind(corrected)
    call_command("load_catalogue", verbosity=0)
    assert ServiceKind.objects.get(pk=corrected.pk).interval == 77
