"""Due reminders in groups by what a person does: dry, replace, clean, buy, look."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import TextChoices
from django.utils.translation import gettext_lazy as _

from maintenance.models import Reminder
from maintenance.reminders.links import link_of

Kind = Reminder.Kind


class Group(TextChoices):
    """In the order of the pages: what spoils while it waits comes first."""

    DRY = "dry", _("Dry")
    REPLACE = "replace", _("Replace")
    CLEAN = "clean", _("Clean")
    BUY = "buy", _("Buy")
    LOOK = "look", _("Look")


KINDS: dict[str, list[str]] = {
    Group.DRY: [Kind.DRY, Kind.DRYER_UP, Kind.DRYING_DONE, Kind.REGENERATE],
    Group.REPLACE: [Kind.REPLACE],
    Group.CLEAN: [Kind.CLEAN, Kind.SERVICE],
    Group.BUY: [Kind.REORDER],
    Group.LOOK: [Kind.WEIGH, Kind.FLOW_CHECK, Kind.FLOW_CHART, Kind.HEAT, Kind.LEAK, Kind.SENSOR],
}
GROUP_OF = {kind: group for group, kinds in KINDS.items() for kind in kinds}


@dataclass(frozen=True)
class DueRow:
    """A reminder with the page where it is dealt with, see link_of."""

    reminder: Any
    address: str
    action: str


@dataclass(frozen=True)
class DueGroup:
    """Reminders of a group, the most urgent first. count: of all that are due, rows: those that are shown."""

    key: str
    label: str
    count: int
    rows: list[DueRow]


def build_row(reminder: Any) -> DueRow:
    """A reminder of links.with_subjects."""
    return DueRow(reminder, *link_of(reminder))


def group_due(reminders: Iterable[Any], counts: Mapping[str, int]) -> list[DueGroup]:
    """The groups that have any. reminders: those to show, of links.with_subjects; counts: of all, by kind."""
    rows = defaultdict(list)
    for reminder in reminders:
        rows[GROUP_OF[reminder.kind]].append(build_row(reminder))
    groups = [
        DueGroup(group.value, str(group.label), sum(counts.get(kind, 0) for kind in kinds), rows[group])
        for group, kinds in ((Group(name), kinds) for name, kinds in KINDS.items())
    ]
    return [group for group in groups if group.count]
