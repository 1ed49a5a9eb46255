"""The service against the books of those who lived in it."""

from collections import Counter
from collections.abc import Sequence
from io import StringIO

import pytest
from django.core.management import call_command
from django.db.models import Sum

from maintenance.models import Job, Reminder, ServiceKind, WearEntry
from maintenance.reminders.sweep import sweep
from spools.models import MassEntry, Spool
from tests.weeks.life import HOUR, Books
from tests.weeks.opening import CARE

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
    check_reminders(all_books)
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
    for toolhead, prints in books.prints.items():
        worn = WearEntry.objects.filter(use__toolhead=toolhead, part__kind__role="nozzle")
        sums = worn.aggregate(hours=Sum("hours"), prints=Sum("prints"))
        assert (sums["hours"] or 0) == pytest.approx(sum(hours for _, hours in prints), abs=1e-6), toolhead
        assert (sums["prints"] or 0) == pytest.approx(len(prints), abs=1e-6), toolhead


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
    assert all(line.endswith((" 0 changed.", "toolheads computed again.")) for line in lines), text.getvalue()


def check_reminders(all_books: Sequence[Books]) -> None:
    """One open reminder for each cause, none that a sweep would open or end, and events in their order."""
    sweep()
    found = {reminder.pk: describe_cause(reminder) for reminder in Reminder.objects.filter(ended_at=None)}
    assert len(found) == len(set(found.values()))
    sweep()
    assert list(found) == list(Reminder.objects.filter(ended_at=None).values_list("pk", flat=True))
    for books in all_books:
        check_services(books)
    ended = {(describe_cause(row), row.ended_at): row for row in Reminder.objects.exclude(ended_at=None)}
    for reminder in Reminder.objects.prefetch_related("events"):
        times = [event.at for event in reminder.events.all()]
        assert times == sorted(times)
        # That of a slip ends when the slip is withdrawn, within the same hour.
        before = ended.get((describe_cause(reminder), reminder.opened_at), reminder)
        assert before == reminder, f"{reminder} came twice"


def describe_cause(reminder: Reminder) -> tuple:
    """That of which it reminds, in the words of its columns; the kind of service is in its reason alone."""
    subjects = ["spool", "part", "toolhead", "printer", "part_kind", "feedstock", "place"]
    ids = [getattr(reminder, f"{name}_id") for name in subjects]
    return reminder.kind, *ids, reminder.reason.code, str(reminder.reason.values.get("service"))


def check_services(books: Books) -> None:
    """A service that counts hours is due where the prints since the last one took longer than its interval."""
    for kind in ServiceKind.objects.filter(unit=ServiceKind.Unit.HOURS, name__startswith=CARE):
        due = set(Reminder.objects.filter(ended_at=None, condition__startswith=f"service:{kind.pk}:"))
        places = {reminder.toolhead_id for reminder in due}
        for toolhead, prints in books.prints.items():
            last = books.served.get((toolhead, kind.pk))
            later = [hours for start, hours in prints if last is None or start >= last]
            cut = [hours for start, hours in prints if last and start < last < start + hours * HOUR]
            if sum(later) >= kind.interval:
                assert toolhead in places, (toolhead, sum(later))
            if sum(later) + sum(cut) < kind.interval:
                assert toolhead not in places, (toolhead, sum(later), sum(cut))
