"""The shop's books against the farm's own."""

from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime

from django.db.models import Sum

from maintenance.jobs.projection import find_waiting_printers, retry_waiting
from maintenance.models import JobUse, PrinterEvent, WearEntry
from spools.models import MassEntry
from tests.farm.prints import HOUR, Machine
from tests.weeks.checks import check_jobs_and_uses, check_rebuild

MILLIGRAM, SECOND = 1e-3, 1.0
# HTTP tells the time in whole seconds, so a clock that is off by minutes is known to half of one.
NOT_SKEWED_S = 2.0


@dataclass
class Differences:
    """found: in words; largest: of each kind of number."""

    found: list[str] = field(default_factory=list)
    largest: Counter = field(default_factory=Counter)

    def compare(self, name: str, ours: float, theirs: float, within: float, subject: str) -> None:
        off = abs(ours - theirs)
        self.largest[name] = max(self.largest[name], off)
        if off > within:
            self.found.append(f"{subject}: {name} {theirs} instead of {ours}")

    def equal(self, name: str, ours: object, theirs: object, subject: str) -> None:
        if ours != theirs:
            self.found.append(f"{subject}: {name} {theirs} instead of {ours}")


def check_farm(machines: list[Machine]) -> Differences:
    """All that differs: grams to the milligram, times to the second, counters, jobs by stage; and the rebuild."""
    # A worker does this when a spool was loaded or a print ended; there may be none.
    retry_waiting(find_waiting_printers())
    differences = Differences()
    for machine in machines:
        check_jobs(machine, differences)
        check_counters(machine, differences)
    check_grams(machines, differences)
    check_events(machines, differences)
    check_jobs_and_uses()
    check_rebuild()
    return differences


def check_jobs(machine: Machine, differences: Differences) -> None:
    """Each print is one job with its stage, times and grams of each spool."""
    events = PrinterEvent.objects.filter(
        printer__name=machine.name, job__isnull=False, job__withdrawn_at=None
    )
    jobs = {event.print_key: event.job for event in events.select_related("job")}
    differences.equal("jobs", {one.key for one in machine.prints}, set(jobs), machine.name)
    within = SECOND if abs(machine.skew_s) > NOT_SKEWED_S else 0.0
    for one in machine.prints:
        if (job := jobs.get(one.key)) is None:
            continue
        differences.equal("stage", one.stage, job.stage, one.key)
        for name, at, stored in (("start", one.start, job.start), ("end", one.end, job.end)):
            if at is not None:
                differences.compare("seconds", seconds(at), seconds(stored), within, f"{one.key} {name}")
        uses = {use.spool.code: use.mass_g for use in job.uses.select_related("spool")}
        differences.equal("spools", set(one.grams), set(uses), one.key)
        for code in one.grams.keys() & uses.keys():
            differences.compare("grams", one.grams[code], uses[code], MILLIGRAM, f"{one.key} {code}")


def check_counters(machine: Machine, differences: Differences) -> None:
    """Hours, prints and filament of the nozzles that were on the toolhead."""
    over = [one for one in machine.prints if one.end is not None]
    worn = WearEntry.objects.filter(use__toolhead=machine.toolhead, part__kind__role="nozzle")
    sums = worn.aggregate(hours=Sum("hours"), prints=Sum("prints"), mass_g=Sum("mass_g"))
    hours = sum((one.end - one.start) / HOUR for one in over)
    within = 1e-6 if abs(machine.skew_s) <= NOT_SKEWED_S else len(over) * SECOND / 3600
    differences.compare("hours", hours, sums["hours"] or 0.0, within, machine.name)
    differences.compare("prints", len(over), sums["prints"] or 0.0, 1e-6, machine.name)
    grams = sum(sum(one.grams.values()) for one in over)
    differences.compare("grams of toolheads", grams, sums["mass_g"] or 0.0, MILLIGRAM, machine.name)
    used = JobUse.objects.filter(toolhead=machine.toolhead, job__withdrawn_at=None).aggregate(g=Sum("mass_g"))
    differences.compare("grams of toolheads", grams, used["g"] or 0.0, MILLIGRAM, machine.name)


def check_grams(machines: list[Machine], differences: Differences) -> None:
    """Each spool gave what was printed from it."""
    entries = MassEntry.objects.valid().filter(kind=MassEntry.Kind.PRINTED).order_by()
    given = dict(
        entries.values("spool__code").annotate(sum_g=Sum("net_change_g")).values_list("spool__code", "sum_g")
    )
    for machine in machines:
        for code, _ in machine.spools:
            grams = sum(one.grams.get(code, 0.0) for one in machine.prints)
            differences.compare("grams of spools", grams, -given.pop(code, 0.0), MILLIGRAM, code)
    differences.equal("spools that nobody printed from", {}, given, "the farm")


def check_events(machines: list[Machine], differences: Differences) -> None:
    """Each event is stored once, and none waits."""
    for machine in machines:
        rows = PrinterEvent.objects.filter(printer__name=machine.name)
        ids = {event.id for event in machine.events}
        differences.equal("events", len(ids), rows.count(), machine.name)
        for row in rows.exclude(state="recorded"):
            differences.found.append(f"{row} at {row.at}: {row.state}, {row.errors}")


def seconds(at: datetime) -> float:
    return at.timestamp()
