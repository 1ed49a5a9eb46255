"""Events of prints as printers' hosts report them: in any order, late and repeated, with the same books."""

from datetime import timedelta
from itertools import pairwise

import pytest
from django.db import transaction
from django.utils import timezone
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from background.running import run_due
from maintenance.jobs.life import rebuild_jobs
from maintenance.jobs.printer_events import Reported, record_events
from maintenance.jobs.steps import end_job
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.models import Job, JobEvent, JobUse, Loading, PrinterEvent, Reservation
from spools.facts import withdraw
from spools.inventory.ledger import remaining
from tests.maintenance.jobs.test_life import grams, loaded, record, second  # noqa: F401  fixtures
from tests.spools.conftest import hours_ago

NOW = hours_ago(0)
NUMBERS = {"mass_g": 80, "hours": 6, "nozzle_c": 205, "bed_c": 55}
GRAMS_PER_M = 1.24 * 3.141592653589793 * 1.75**2 / 4


def before(hours):
    return NOW - timedelta(hours=hours)


def event(kind, ago, job="17", key=None, sent_at=None, **values):
    return Reported(key or f"{job}-{kind}-{ago}", "North", job, kind, before(ago), sent_at, values)


def send(*events):
    return [(row.result, [error["code"] for error in row.errors]) for row in record_events(events)]


def books():
    """All numbers of the jobs, without their ids."""
    jobs = Job.objects.valid().order_by("start")
    uses = JobUse.objects.order_by("job__start", "spool")
    reserved = Reservation.objects.order_by("job__start", "spool")
    return (
        list(jobs.values_list("name", "stage", "start", "end", "hours", "nozzle_c", "state")),
        list(uses.values_list("job__name", "spool", "mass_g", "entry__at")),
        list(reserved.values_list("job__name", "spool", "mass_g")),
        sorted(JobEvent.objects.valid().exclude(kind="planned").values_list("kind", "at", "hours", "reason")),
    )


def test_a_print_from_its_plan_to_its_end(shop, loaded):  # noqa: F811
    planned = event("planned", 9, name="Lamp foot", **NUMBERS)
    assert send(planned) == [("recorded", [])]
    assert Job.objects.get().stage == "planned"
    assert send(event("started", 8), event("progress", 7, pct=20), planned) == [
        ("recorded", []),
        ("recorded", []),
        ("known", []),
    ]
    (job,) = Job.objects.all()
    assert (job.name, job.stage, job.start) == ("Lamp foot", "printing", before(8))
    [result] = record_events([event("finished", 3, metres=20.0)])
    assert (result.result, result.job, result.stage) == ("recorded", job.pk, "finished")
    job.refresh_from_db()
    assert (job.end, job.hours) == (before(3), pytest.approx(5))
    assert grams(job) == {loaded: pytest.approx(20 * GRAMS_PER_M)}
    assert rebuild_jobs() == []


SERIES = [
    event("planned", 20, name="Lamp foot", **NUMBERS),
    event("started", 19),
    event("ran_out", 16, metres=10.0),
    event("spool_changed", 15.5),
    event("failed", 14, metres=16.0, reason="came loose"),
    event("started", 13, job="18", name="Lamp foot", **NUMBERS | {"hours": 12}),
    event("finished", 10, job="18", metres=29.5),
]


@settings(max_examples=5, deadline=None, phases=[Phase.generate])
@given(order=st.permutations(range(len(SERIES))), cuts=st.sets(st.integers(1, 6)), repeated=st.integers(0, 6))
def check_orders(expected, order, cuts, repeated):
    with transaction.atomic():
        bounds = [0, *sorted(cuts), len(SERIES)]
        for begin, end in pairwise(bounds):
            record_events([SERIES[number] for number in order[begin:end]])
            record_events([SERIES[repeated]] if repeated in order[:end] else [])
        assert books() == expected, order
        assert set(PrinterEvent.objects.values_list("state", flat=True)) == {"recorded"}
        assert rebuild_jobs() == []
        transaction.set_rollback(True)


def test_events_in_any_order_give_the_same_books(shop, loaded, second):  # noqa: F811
    unload_spool(Loading.objects.get(), shop.shelf, at=hours_ago(15.8))
    load_spool(shop.north, second, at=hours_ago(15.7), override_reason="a test")
    with transaction.atomic():
        for row in SERIES:
            assert send(row) == [("recorded", [])]
        expected = books()
        transaction.set_rollback(True)
    assert [row[1] for row in expected[0]] == ["failed", "finished"]
    check_orders(expected)


def test_what_cannot_be_yet_waits_and_what_can_never_be_is_refused(shop, plain):
    start = event("started", 9, spool=plain.code, **NUMBERS)
    assert send(event("finished", 4, metres=9.0), start) == [
        ("waiting", ["no_start"]),
        ("waiting", ["not_loaded_then"]),
    ]
    assert not Job.objects.exists()
    load_spool(shop.north, plain, at=before(20), override_reason="a test")
    run_due("moisture")
    run_due()
    assert Job.objects.get().stage == "finished"
    assert send(start, event("started", -1, job="18", **NUMBERS)) == [
        ("known", []),
        ("refused", ["in_the_future"]),
    ]
    assert send(event("started", 3, key=start.key)) == [("refused", ["id_reused"])]
    assert send(event("started", 3, job="19", toolhead="South T0", **NUMBERS)) == [
        ("refused", ["other_printer"])
    ]


def test_a_wrong_clock_is_corrected(shop, loaded):  # noqa: F811
    """The sender's clock is 40 minutes fast: an event of ten minutes ago comes with a time in half an hour."""
    sent_at = timezone.now() + timedelta(minutes=40)
    assert send(event("started", -0.5, sent_at=sent_at, **NUMBERS)) == [("recorded", [])]
    assert abs(Job.objects.get().start - before(1 / 6)) < timedelta(minutes=1, seconds=30)


def test_what_a_person_recorded_or_withdrew_stands(shop, loaded):  # noqa: F811
    send(event("started", 9, name="bracket", **NUMBERS))
    end_job(Job.objects.get(), "failed", at=before(6), mass_g=20)
    assert send(event("finished", 4, metres=9.0)) == [("recorded", ["by_hand"])]
    job = Job.objects.get()
    assert (job.stage, grams(job)) == ("failed", {loaded: 20})
    withdraw(job, reason="not ours")
    assert send(event("stopped", 3)) == [("recorded", ["by_hand"])]
    assert remaining(loaded).mass_g == pytest.approx(1000)


def test_a_print_that_was_recorded_before_is_the_same_job(shop, loaded):  # noqa: F811
    job = record(shop, loaded, start=before(9), hours=12, mass_g=80)
    assert (
        send(event("started", 9.1, name="bracket", **NUMBERS), event("finished", 4)) == [("recorded", [])] * 2
    )
    job.refresh_from_db()
    assert (Job.objects.count(), job.stage, job.start, job.end) == (1, "finished", before(9), before(4))


def test_a_withdrawn_event_counts_no_more(shop, loaded):  # noqa: F811
    start, end = event("started", 9, **NUMBERS), event("failed", 4, metres=9.0)
    send(start, end)
    withdraw(PrinterEvent.objects.get(kind="failed"), reason="of another print")
    assert Job.objects.get().stage == "printing"
    assert send(end) == [("known", [])]
    withdraw(PrinterEvent.objects.get(kind="started"), reason="of another print")
    assert not Job.objects.valid().exists() and remaining(loaded).mass_g == pytest.approx(1000)
