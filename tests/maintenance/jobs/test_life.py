"""The life of a job: planned, printing, ended; with another spool where one ran out; and the same print once."""

from datetime import timedelta

import pytest
from django.db import transaction
from django.utils import timezone
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from maintenance.jobs.life import rebuild_jobs
from maintenance.jobs.queries import takes_from
from maintenance.jobs.records import Outcome, record_job
from maintenance.jobs.reprints import reprint_job
from maintenance.jobs.steps import change_spool, end_job, start_job
from maintenance.machines.loading import load_spool
from maintenance.models import Job, JobUse, Loading, Reservation, WearEntry
from maintenance.parts.wear_entries import rebuild_wear
from spools.facts import withdraw
from spools.inventory.ledger import remaining
from spools.models import MassEntry
from tests.maintenance.conftest import PRINT
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive

HOUR = timedelta(hours=1)


@pytest.fixture
def loaded(shop, plain):
    load_spool(shop.north, plain, at=hours_ago(30), override_reason="a test")
    return plain


@pytest.fixture
def second(shop):
    return receive(shop.pla, shop.box, card="dry")


def record(shop, spool, **values) -> Job:
    given = {"toolhead": shop.north, "spool": spool, "start": hours_ago(12)}
    return record_job(**(given | PRINT | values))


def printing(shop, spool, **values) -> Job:
    return record(shop, spool, **({"start": hours_ago(3), "hours": 6, "mass_g": 300} | values))


def derived(*spools) -> tuple:
    """All numbers that follow from jobs."""
    uses = sorted(JobUse.objects.values_list("job", "toolhead", "spool", "mass_g", "retracted_m"))
    reserved = sorted(Reservation.objects.values_list("job", "toolhead", "spool", "mass_g"))
    jobs = sorted(Job.objects.values_list("pk", "stage", "start", "end", "hours", "state"))
    worn = sorted(WearEntry.objects.values_list("part", "use__job", "hours", "dose_km", "feed_km", "prints"))
    return uses, reserved, jobs, worn, [remaining(spool) for spool in spools]


def grams(job) -> dict:
    return {use.spool: use.mass_g for use in job.uses.select_related("spool")}


def test_a_print_that_is_not_over_reserves_its_filament_and_wears_nothing(shop, loaded):
    job = printing(shop, loaded)
    assert (job.stage, job.start, job.end) == ("printing", hours_ago(3), hours_ago(-3))
    assert [(row.spool, row.mass_g) for row in job.reservations.all()] == [(loaded, 300)]
    assert not JobUse.objects.exists() and not MassEntry.objects.filter(kind="printed").exists()
    end_job(job, "finished", at=hours_ago(1))
    job.refresh_from_db()
    assert (job.stage, job.hours) == ("finished", pytest.approx(2))
    assert remaining(loaded).mass_g == pytest.approx(700) and not Reservation.objects.exists()


def test_a_planned_print_starts_and_fails_with_its_parts_counted(shop, loaded):
    job = record(shop, loaded, start=None, stage="planned", hours=4, mass_g=80)
    assert (job.stage, job.reservations.get().mass_g) == ("planned", 80)
    with refuses("wrong_stage"):
        end_job(job, "finished")
    with refuses("toolhead_busy", "start", names=["bracket"]):
        record(shop, loaded, start=timezone.now() + HOUR, stage="planned", name="other")
    later = record(shop, loaded, start=None, stage="planned", name="other")
    assert later.start == job.end
    start_job(job, at=hours_ago(2))
    with refuses("out_of_range", "good_parts"):
        end_job(job, "failed", outcome=Outcome(parts=4, good_parts=5))
    job = end_job(job, "failed", at=hours_ago(1), outcome=Outcome(4, 3, "one came off the bed"))
    event = job.events.get(kind="failed")
    assert (event.parts, event.good_parts, event.reason) == (4, 3, "one came off the bed")
    # By the time: 1 of its 4 hours.
    assert grams(job) == {loaded: pytest.approx(20)}
    assert job.stopped.code == "job_stop.by_time"


@pytest.mark.parametrize(
    ("where", "printed_g"), [({"stopped_pct": 40}, 120), ({"mass_g": 77}, 77), ({"metres": 20}, 20 * 2.98)]
)
def test_a_print_stops_somewhere(shop, loaded, where, printed_g):
    job = end_job(printing(shop, loaded), "stopped", at=hours_ago(1), **where)
    assert grams(job) == {loaded: pytest.approx(printed_g, rel=0.01)}
    assert rebuild_jobs() == [] and rebuild_wear() == []


def test_a_print_that_took_nothing_is_found_by_its_spool(shop, loaded, second):
    job = end_job(printing(shop, loaded), "failed", outcome=Outcome(reason="nothing came out"), mass_g=0)
    assert not job.uses.exists()
    assert list(Job.objects.filter(takes_from(code=loaded.code))) == [job]
    assert not Job.objects.filter(takes_from(code=second.code)).exists()


def test_the_same_print_from_a_script_and_from_a_person_is_one_job(shop, loaded):
    first = record(shop, loaded, name="Lamp foot.gcode", mass_g=50, hours=3, start=hours_ago(10))
    for again in (
        {"name": "lamp_foot", "mass_g": 80, "hours": 3, "start": hours_ago(9.5)},
        {"name": "something else", "mass_g": 50.4, "hours": 2.5, "start": hours_ago(10)},
    ):
        job = record(shop, loaded, **again)
        assert (job.pk, job.known_before, job.uses.get().mass_g) == (first.pk, True, 50)
    with refuses("toolhead_busy", "start", names=["Lamp foot"]):
        record(shop, loaded, name="vase", mass_g=200, hours=3, start=hours_ago(9))
    # Only minutes in common: not the same print once more.
    with refuses("toolhead_busy", "start"):
        record(shop, loaded, name="Lamp foot", mass_g=50, hours=3, start=hours_ago(7.1))
    assert not record(shop, loaded, name="Lamp foot", hours=3, start=hours_ago(7)).known_before
    assert remaining(loaded).mass_g == pytest.approx(900)


def test_a_record_of_the_end_ends_the_job_that_was_planned_or_started(shop, loaded):
    plan = record(shop, loaded, name="vase", start=None, stage="planned", hours=2)
    started = record(shop, loaded, name="vase.gcode", start=hours_ago(2), stage="printing", hours=4)
    assert (started.pk, started.known_before, started.stage) == (plan.pk, True, "printing")
    ended = record(shop, loaded, name="Vase", start=None, stage="finished", hours=1.9, mass_g=61)
    assert (ended.pk, ended.stage, ended.uses.get().mass_g) == (plan.pk, "finished", 61)
    assert Job.objects.count() == 1


def test_a_run_out_is_one_job_of_two_spools_to_the_milligram(shop, loaded, second):
    job = printing(shop, loaded, mass_g=333.333, retracted_m=9)
    with refuses("other_material", "spool"):
        change_spool(job, receive(shop.nylon, shop.box), at=hours_ago(1), unload_to=shop.shelf)
    with refuses("toolhead_taken", "unload_to"):
        change_spool(job, second, at=hours_ago(1))
    job = change_spool(job, second, at=hours_ago(1), mass_g=123.457, unload_to=shop.shelf)
    loading = Loading.objects.present().get(spool=second)
    assert loading.cause.code == "cause.spool_changed" and loading.override_reason == ""
    assert grams(job) == {loaded: pytest.approx(123.457)}
    assert [(row.spool, row.mass_g) for row in job.reservations.all()] == [(second, pytest.approx(209.876))]
    assert Loading.objects.present().get().spool == second
    with refuses("less_than_before_change", "mass_g"):
        end_job(job, "stopped", mass_g=100)
    job = end_job(job, "finished", at=hours_ago(0.1))
    assert grams(job) == {loaded: pytest.approx(123.457), second: pytest.approx(209.876)}
    assert sum(use.retracted_m for use in job.uses.all()) == pytest.approx(9)
    entries = MassEntry.objects.valid().filter(kind="printed")
    assert {entry.spool: entry.at for entry in entries} == {loaded: job.start, second: hours_ago(1)}
    # The hours of the print are counted once.
    worn = WearEntry.objects.filter(part__kind=shop.gears, use__job=job)
    assert sum(row.hours for row in worn) == pytest.approx(job.hours)
    assert rebuild_jobs() == [] and rebuild_wear() == []


def test_a_run_out_that_was_remembered_after_the_end_splits_the_grams(shop, loaded, second):
    job = end_job(printing(shop, loaded), "finished", at=hours_ago(0.5))
    job = change_spool(job, second, at=hours_ago(2), mass_g=100, unload_to=shop.shelf)
    assert grams(job) == {loaded: 100, second: pytest.approx(200)}
    withdraw(job.events.get(kind="changed"), reason="it was the other printer")
    assert grams(job) == {loaded: 300}


def test_a_finished_print_is_printed_again(shop, loaded, second):
    job = end_job(printing(shop, loaded), "failed", at=hours_ago(2), stopped_pct=10)
    again = reprint_job(job, stage="printing", start=hours_ago(1))
    assert (again.reprint_of, again.stage) == (job, "printing")
    assert again.reservations.get().mass_g == 300 and not again.known_before
    with refuses("toolhead_busy"):
        reprint_job(again, start=timezone.now() + HOUR)


def test_steps_that_later_ones_rest_on_stay(shop, loaded):
    job = end_job(printing(shop, loaded), "finished", at=hours_ago(1))
    with refuses("first_event"):
        withdraw(job.events.get(kind="started"), reason="a mistake")
    withdraw(job.events.get(kind="finished"), reason="it goes on")
    job.refresh_from_db()
    assert (job.stage, job.end) == ("printing", hours_ago(-3))
    assert remaining(loaded).mass_g == pytest.approx(1000)
    withdraw(job, reason="a mistake")
    assert not Reservation.objects.exists()
    with refuses("withdrawn_already"):
        withdraw(job.events.get(kind="started"), reason="a mistake")


@settings(max_examples=6, phases=[Phase.generate])
@given(
    st.sampled_from(["finished", "failed", "stopped"]),
    st.lists(st.sampled_from(["change", "end"]), min_size=1, max_size=2, unique=True),
    st.floats(1, 150),
)
def test_a_step_that_is_withdrawn_was_never_there(shop, loaded, second, result, steps, mass_g):
    with transaction.atomic():
        job = printing(shop, loaded)
        for n, step in enumerate(steps):
            before, known = derived(loaded, second), set(job.events.values_list("pk", flat=True))
            if step == "change":
                change_spool(job, second, at=hours_ago(0.5), mass_g=mass_g, unload_to=shop.shelf)
            else:
                end_job(job, result, at=hours_ago(0.2), mass_g=150 + mass_g * n)
            assert derived(loaded, second) != before
        withdraw(job.events.exclude(pk__in=known).get(), reason="a test")
        assert derived(loaded, second) == before
        assert rebuild_jobs() == [] and rebuild_wear() == []
        transaction.set_rollback(True)
