"""Usage of a span of time by month, material, printer or project: prints, hours, grams and cost, failures apart."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime

from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.costs.shares import Cost, UseCost, load_costs, started
from maintenance.models import Job, JobUse
from spools.refusals import refusal


@dataclass
class Usage:
    """What prints of a group took. jobs, failed: their ids; a print of several spools counts in the group of each.

    month_g: grams by month, as "2026-03".
    """

    name: str
    jobs: set[int] = field(default_factory=set)
    failed: set[int] = field(default_factory=set)
    hours: float = 0.0
    mass_g: float = 0.0
    failed_g: float = 0.0
    purge_g: float = 0.0
    cost: Cost = field(default_factory=Cost)
    failed_cost: Cost = field(default_factory=Cost)
    month_g: dict[str, float] = field(default_factory=dict)

    def add(self, row: UseCost) -> None:
        job = row.use.job
        self.jobs.add(job.pk)
        self.hours += row.hours
        self.mass_g += row.use.mass_g
        month = GROUPS["month"](row.use)
        self.month_g[month] = self.month_g.get(month, 0.0) + row.use.mass_g
        self.purge_g += row.use.purge_g
        self.cost += row.cost
        if job.stage != Job.Stage.FINISHED:
            self.failed.add(job.pk)
            self.failed_g += row.use.mass_g
            self.failed_cost += row.cost


# The name of the group that a use belongs to.
GROUPS: dict[str, Callable[[JobUse], str]] = {
    "month": lambda use: timezone.localtime(use.job.start).strftime("%Y-%m"),
    "material": lambda use: str(use.spool.feedstock),
    "printer": lambda use: use.job.printer.name,
    "project": lambda use: use.job.project,
}


def load_usage(by: str, since: datetime | None = None, until: datetime | None = None) -> list[Usage]:
    """The groups, by name; of prints that began in the span. Raises ValidationError on an unknown group."""
    if by not in GROUPS:
        raise refusal(
            "unknown_group", _("Group by one of {choices}.").format(choices=", ".join(GROUPS)), "by"
        )
    return group_usage(by, load_costs(JobUse.objects.filter(started(since, until))))


def group_usage(by: str, rows: Iterable[UseCost]) -> list[Usage]:
    groups: dict[str, Usage] = {}
    for row in rows:
        name = GROUPS[by](row.use)
        groups.setdefault(name, Usage(name)).add(row)
    return [groups[name] for name in sorted(groups)]


def add_up(groups: Iterable[Usage]) -> Usage:
    """All groups together."""
    total = Usage("")
    for group in groups:
        total.jobs |= group.jobs
        total.failed |= group.failed
        total.hours += group.hours
        total.mass_g += group.mass_g
        total.failed_g += group.failed_g
        total.purge_g += group.purge_g
        total.cost += group.cost
        total.failed_cost += group.failed_cost
    return total
