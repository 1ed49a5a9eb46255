"""The service against the books of those who lived in it."""

from collections import Counter
from collections.abc import Sequence
from io import StringIO

import pytest
from django.core.management import call_command
from django.db.models import Sum

from maintenance.models import Job, Reminder, WearEntry
from maintenance.reminders.sweep import sweep
from spools.models import MassEntry, Spool
from tests.weeks.life import Books

MILLIGRAM = 1e-3


def check_all(all_books: Sequence[Books]) -> Counter:
    """All promises of the shop after its weeks. Returns how often each act was done."""
    acts: Counter = Counter()
    for books in all_books:
        acts += books.acts
        check_grams(books)
        check_counters(books)
    check_jobs_and_uses()
    check_rebuild()
    check_reminders()
    return acts


def check_grams(books: Books) -> None:
    """Each spool gave what was printed from it, to the milligram."""
    entries = MassEntry.objects.valid().filter(kind=MassEntry.Kind.PRINTED).order_by()
    given = dict(
        entries.values("spool__code").annotate(sum_g=Sum("net_change_g")).values_list("spool__code", "sum_g")
    )
    for code, printed_g in books.printed_g.items():
        assert -given.get(code, 0.0) == pytest.approx(printed_g, abs=MILLIGRAM), code


def check_counters(books: Books) -> None:
    """Hours and prints of all nozzles that were on a toolhead are those of its jobs."""
    for toolhead, hours in books.hours.items():
        worn = WearEntry.objects.filter(use__toolhead=toolhead, part__kind__role="nozzle")
        sums = worn.aggregate(hours=Sum("hours"), prints=Sum("prints"))
        assert sums["hours"] == pytest.approx(hours, abs=1e-6), toolhead
        assert sums["prints"] == pytest.approx(books.prints[toolhead], abs=1e-6), toolhead


def check_jobs_and_uses() -> None:
    """The uses of each job that is over are its spools' entries; a job that is not over took nothing."""
    for job in Job.objects.filter(withdrawn_at=None).prefetch_related("uses__entry"):
        entries = [use.entry for use in job.uses.all()]
        assert bool(entries) == job.is_over, job
        assert all(entry.withdrawn_at is None for entry in entries)
        for use in job.uses.all():
            assert use.mass_g == pytest.approx(-(use.entry.net_change_g or 0.0), abs=1e-9)
    spools = Spool.objects.filter(job_uses__job__withdrawn_at__isnull=False)
    assert (
        not MassEntry.objects.valid()
        .filter(job_use__job__withdrawn_at__isnull=False, spool__in=spools)
        .exists()
    )


def check_rebuild() -> None:
    """All that is derived is equal to the bit when it is computed again from the facts."""
    text = StringIO()
    call_command("rebuild", stdout=text)
    lines = [line for line in text.getvalue().splitlines() if line]
    assert all(" 0 changed" in line or "computed again" in line for line in lines), text.getvalue()


def check_reminders() -> None:
    """One open reminder for each cause, none that a sweep would open or end, and events in their order."""
    sweep()
    subjects = [
        "kind",
        "condition",
        "spool",
        "part",
        "toolhead",
        "printer",
        "part_kind",
        "feedstock",
        "place",
    ]
    found = list(Reminder.objects.filter(ended_at=None).values_list(*subjects))
    assert len(found) == len(set(found))
    sweep()
    assert found == list(Reminder.objects.filter(ended_at=None).values_list(*subjects))
    for reminder in Reminder.objects.prefetch_related("events"):
        times = [event.at for event in reminder.events.all()]
        assert times == sorted(times)
