"""Jobs on a toolhead with several slots: each tool's spool judged, grams split, changes purged and counted for wear."""

from dataclasses import replace
from math import pi
from types import SimpleNamespace

import pytest
import time_machine
from django.db import transaction
from django.utils import timezone

from maintenance.costs.usage import load_usage
from maintenance.gcode import JobFacts
from maintenance.jobs.from_file import judge_on_all_machines, judge_on_machine, record_file_job
from maintenance.jobs.life import rebuild_jobs
from maintenance.jobs.planned import find_planned_job
from maintenance.jobs.reprints import reprint_job
from maintenance.jobs.slots import find_spools_in_slots
from maintenance.jobs.steps import change_spool, end_job, start_job
from maintenance.machines.loading import load_spool
from maintenance.machines.printers import save_toolhead
from maintenance.models import Loading, Reservation, WearEntry
from maintenance.parts.wear_entries import rebuild_wear
from maintenance.readiness.inputs import FedMaterial
from maintenance.readiness.rules.mix import MixedMaterial, judge_mix
from maintenance.readiness.rules.service import material_change
from maintenance.wear.purging import PurgeMaterial
from spools.codes import pretty
from spools.facts import withdraw
from spools.inventory.ledger import remaining
from spools.statements import Statement
from tests.maintenance.jobs.test_files import HEAD, ONE_METRE, given_file, read
from tests.maintenance.readiness.test_rules import GOOD
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive

PURGE_G = 1.5
# T0 2 m, T1 1 m, T0 1 m, T2 3 m, T1 1 m: 4 changes, of them 1 to T0, 2 to T1, 1 to T2.
METRES = {0: 3, 1: 2, 2: 3}
CHANGES = {0: 1, 1: 2, 2: 1}
TEXT = HEAD + "".join(
    f"T{tool}\n" + metres * ONE_METRE for tool, metres in [(0, 2), (1, 1), (0, 1), (2, 3), (1, 1)]
)


@pytest.fixture(autouse=True)
def surroundings(settings, tmp_path):
    settings.DATA_DIR = tmp_path / "data"
    with time_machine.travel(timezone.now(), tick=False):
        yield


@pytest.fixture
def changer(shop):
    """South with four slots: three dry kilograms of PLA in 1 to 3, the fourth free."""
    shop.south.slots, shop.south.purge_g = 4, PURGE_G
    save_toolhead(shop.south)
    shop.spools = [receive(shop.pla, shop.box, card="dry") for _ in range(3)]
    for spool in shop.spools:
        load_spool(shop.south, spool, at=hours_ago(30))
    shop.file = read(given_file(TEXT, name="dice.gcode"))
    return shop


def grams(tool: int, spool) -> float:
    """By hand: a cylinder of 1.75 mm, and what the changes to it purge."""
    cylinder_cm3 = METRES[tool] * 100 * pi * (0.175 / 2) ** 2
    return cylinder_cm3 * spool.feedstock.polymer.density_g_cm3 + CHANGES[tool] * PURGE_G


def print_(changer, **details):
    given = {"spools": changer.spools, "start": hours_ago(12)} | details
    return record_file_job(changer.file, printer=changer.south.printer, **given)


def test_tools_are_slots_and_each_spool_is_judged(changer, wet):
    on = next(m for m in judge_on_all_machines(changer.file) if m.printer == changer.south.printer)
    assert [(part.slot, part.spool, part.later) for part in on.parts] == [
        (tool + 1, spool, False) for tool, spool in enumerate(changer.spools)
    ]
    assert [part.spec.mass_g for part in on.parts] == [
        pytest.approx(grams(tool, spool)) for tool, spool in enumerate(changer.spools)
    ]
    assert [part.spec.changes for part in on.parts] == [1, 2, 1]
    assert {check.name for check in on.verdict.reasons} <= {"flow"}
    load_spool(changer.south, wet, slot=2, unload_to=changer.shelf, override_reason="a test")
    held = judge_on_machine(
        changer.file, changer.south.printer, find_spools_in_slots(changer.south.printer, [3, 2, 1])
    )
    assert [(part.slot, part.numbers) for part in held.parts] == [(3, [0]), (2, [1]), (1, [2])]
    assert held.verdict.state == "hold"
    assert {(check.slot, check.spool) for check in held.verdict.holds} >= {(2, pretty(wet.code))}
    assert not any(check.slot == 1 for check in held.verdict.holds)
    # Loaded, it has not reached the nozzle.
    assert "residue" not in {check.name for check in held.verdict.reasons}
    # PLA bears no temperature that nylon needs.
    [mix] = [check for check in held.verdict.checks if check.name == "mix"]
    assert (mix.state, mix.statement.code) == ("hold", "readiness.no_common_temperature")


def test_an_empty_slot_and_a_tool_too_many_are_named(changer):
    with refuses("slot_empty", "slots", names=["slot 4"]):
        find_spools_in_slots(changer.south.printer, [4])
    with refuses("no_such_slot", "slots", names=["4"]):
        find_spools_in_slots(changer.south.printer, [5])
    many = read(given_file(HEAD + "T3\n" + ONE_METRE + "T4\n" + ONE_METRE))
    codes = {m.printer.name: [c.statement.code for c in m.verdict.holds] for m in judge_on_all_machines(many)}
    assert codes["South"] == ["readiness.too_few_toolheads"]
    empty = read(given_file(HEAD + "T3\n" + ONE_METRE))
    [on] = [m for m in judge_on_all_machines(empty) if m.printer == changer.south.printer]
    [check] = on.verdict.holds
    assert check.statement == Statement("readiness.no_spool", {"toolhead": "South T0, slot 4"})


def test_a_print_gives_each_spool_its_grams_and_purge(changer):
    job = print_(changer)
    uses = {use.slot: use for use in job.uses.all()}
    for tool, spool in enumerate(changer.spools):
        use = uses[tool + 1]
        assert (use.spool, use.mass_g) == (spool, pytest.approx(grams(tool, spool)))
        assert (use.changes, use.purge_g) == (CHANGES[tool], CHANGES[tool] * PURGE_G)
        assert remaining(spool).mass_g == pytest.approx(1000 - grams(tool, spool))
    whole_g = sum(grams(tool, spool) for tool, spool in enumerate(changer.spools))
    [nozzle] = {entry.part for entry in WearEntry.objects.filter(part__kind=changer.steel)}
    assert sum(entry.mass_g for entry in nozzle.wear.all()) == pytest.approx(whole_g)
    [usage] = load_usage("printer")
    assert (usage.mass_g, usage.purge_g) == (pytest.approx(whole_g), pytest.approx(4 * PURGE_G))
    assert rebuild_jobs() == [] and rebuild_wear() == []
    withdraw(job, reason="a test")
    assert [remaining(spool).mass_g for spool in changer.spools] == [pytest.approx(1000)] * 3


def test_changes_are_counted_by_somebody_or_by_the_file(changer):
    facts = JobFacts.from_json(changer.file.facts)
    changer.file.facts = facts.as_json() | {"change_count": 2 * facts.change_count}
    on = judge_on_machine(changer.file, changer.south.printer, changer.spools)
    assert [part.spec.changes for part in on.parts] == [2, 4, 2]
    assert [use.changes for use in print_(changer, changes=8).uses.order_by("slot")] == [2, 4, 2]
    with refuses("out_of_range", "changes"):
        judge_on_machine(changer.file, changer.south.printer, changer.spools, changes=-1)


def test_a_stopped_print_purged_in_proportion(changer):
    """Through both doors: recorded as stopped, and ended at the same percentage after it was recorded as running."""
    recorded = print_(changer, stopped_pct=50.0)
    masses = list(recorded.uses.order_by("slot").values_list("mass_g", "purge_g"))
    withdraw(recorded, reason="a test")
    job = print_(changer, stage="printing", start=hours_ago(0.05))
    end_job(job, "failed", stopped_pct=50.0)
    ended = list(job.uses.order_by("slot").values_list("mass_g", "purge_g"))
    assert ended == [(pytest.approx(mass_g), pytest.approx(purge_g)) for mass_g, purge_g in masses]
    for tool, (mass_g, purge_g) in enumerate(masses):
        part = mass_g / grams(tool, changer.spools[tool])
        assert 0 < part < 1 and purge_g == pytest.approx(part * CHANGES[tool] * PURGE_G)


def test_a_spool_that_ran_out_goes_on_from_another_slot(changer):
    following = receive(changer.pla, changer.box, card="dry")
    job = print_(changer, stage="printing", start=hours_ago(0.02))
    # The print from the other slots does not stand in its way.
    assert load_spool(changer.south, following).state != "hold"
    before = list(Reservation.objects.order_by("spool").values_list("spool", "mass_g", "nozzle_c"))
    change_spool(job, following, from_spool=changer.spools[2], mass_g=4.0)
    assert Loading.objects.present().filter(toolhead=changer.south).count() == 4
    end_job(job, "finished")
    uses = {use.spool: use for use in job.uses.all()}
    whole_g = grams(2, changer.spools[2])
    assert (uses[changer.spools[2]].mass_g, uses[changer.spools[2]].slot) == (pytest.approx(4), 3)
    assert (uses[following].mass_g, uses[following].slot) == (pytest.approx(whole_g - 4), 4)
    assert uses[changer.spools[0]].mass_g == pytest.approx(grams(0, changer.spools[0]))
    assert rebuild_jobs() == []
    for event in job.events.order_by("-at", "-pk")[:2]:
        withdraw(event, reason="a mistake")
    assert list(Reservation.objects.order_by("spool").values_list("spool", "mass_g", "nozzle_c")) == before


def test_a_spool_that_two_tools_end_on_runs_out_for_both(changer):
    following = receive(changer.pla, changer.box, card="dry")
    job = print_(changer, stage="printing", start=hours_ago(0.02))
    load_spool(changer.south, following)
    zeroth, first, second = changer.spools
    change_spool(job, first, from_spool=zeroth, mass_g=2.0)
    both_g = grams(0, zeroth) - 2 + grams(1, first)
    with refuses("out_of_range", "mass_g"):
        change_spool(job, following, from_spool=first, mass_g=both_g + 0.1)
    change_spool(job, following, from_spool=first, mass_g=5.0)
    end_job(job, "finished")
    assert {use.spool: use.mass_g for use in job.uses.all()} == {
        zeroth: pytest.approx(2),
        first: pytest.approx(5),
        second: pytest.approx(grams(2, second)),
        following: pytest.approx(both_g - 5),
    }
    assert rebuild_jobs() == []
    with refuses("later_event"), transaction.atomic():
        withdraw(job.events.get(kind="changed", shares__0__spool=zeroth.pk), reason="a mistake")
    for event in job.events.order_by("-at", "-pk")[:2]:
        withdraw(event, reason="a mistake")
    assert Reservation.objects.get(spool=first).mass_g == pytest.approx(both_g)


def test_a_plan_starts_from_its_slots_and_is_printed_again(changer):
    job = print_(changer, stage="planned", start=None)
    for tool, spool in enumerate(changer.spools):
        planned = find_planned_job(changer.south, spool)
        assert planned.job == job and planned.spec.mass_g == pytest.approx(grams(tool, spool))
    start_job(job, at=hours_ago(0.1))
    assert {(row["slot"], row["spool"]) for row in job.reasons} == {
        (slot, pretty(spool.code)) for slot, spool in enumerate(changer.spools, 1)
    }
    end_job(job, "failed", mass_g=10)
    other = receive(changer.pla, changer.box, card="dry")
    load_spool(changer.south, other, slot=2, unload_to=changer.shelf)
    again = reprint_job(job, stage="printing")
    assert set(again.reservations.values_list("spool", flat=True)) == {
        changer.spools[0].pk,
        other.pk,
        changer.spools[2].pk,
    }


PLA = PurgeMaterial("PLA", 190, 220)
PETG = PurgeMaterial("PETG", 220, 250)
ABS = PurgeMaterial("ABS", 230, 260)
POM = PurgeMaterial("POM", 210, 230, overheated="formaldehyde")


@pytest.mark.parametrize(
    ("mixed", "state", "code"),
    [
        ([(PLA, 215), (PLA, 215)], None, None),
        ([(PLA, 220), (PETG, 220)], "clear", "readiness.mix_fits"),
        ([(PLA, 210), (PETG, 240)], "caution", "purging.leftovers_do_not_melt"),
        ([(PLA, 215), (ABS, 240)], "hold", "readiness.no_common_temperature"),
        ([(POM, 225), (PETG, 240)], "hold", "purging.leftovers_give_off_fumes"),
        ([(PETG, 235), (PETG, 235), (ABS, 235)], "clear", "readiness.mix_fits"),
    ],
)
def test_materials_on_one_nozzle_share_a_temperature(mixed, state, code):
    check = judge_mix([MixedMaterial(*row) for row in mixed])
    assert (check and check.state, check and check.statement.code) == (state, code)


@pytest.mark.parametrize(
    ("fed", "code"),
    [
        ([], None),
        ([(1, PETG)], None),
        # The hottest one is the new material itself: the other may have come last.
        ([(1, PETG), (2, PLA)], "purging.leftovers_melt"),
        ([(2, ABS), (3, PLA)], "purging.leftovers_do_not_melt"),
        ([(2, ABS), (3, POM)], "purging.leftovers_give_off_fumes"),
    ],
)
def test_any_material_of_a_mixed_print_may_have_come_last(fed, code):
    toolhead = replace(GOOD.toolhead, slots=4, fed=[FedMaterial(pk, True, old) for pk, old in fed])
    material = SimpleNamespace(feedstock=1, purge=PETG)
    nozzle_c = 225 if code == "purging.leftovers_do_not_melt" else 240
    change = material_change(material, toolhead, nozzle_c)
    assert (change and change.statement.code) == code
