"""The tools of a job file on the slots of a printer's toolheads, and the changes of spool between them."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from django.utils.translation import gettext as _

from maintenance import limits
from maintenance.board.shop import Slot
from maintenance.gcode import JobFacts
from maintenance.models import Loading, Printer, Toolhead
from spools.checks import require_within
from spools.models import Spool
from spools.refusals import refusal

# Ids of spools by the number of the file's use that each is to be; None: there is none.
ChosenSpools = dict[int, int | None]


class Site(NamedTuple):
    """A slot of a toolhead, by its number from 1."""

    toolhead: Toolhead
    slot: int

    @property
    def name(self) -> str:
        return self.toolhead.name_slot(self.slot)


@dataclass
class FilePart:
    """The part of a file that one spool prints. numbers: of its uses, from 0. spool: its id; None: there is none.

    later: it is loaded while the job runs. changes: of spool to this one.
    """

    site: Site
    spool: int | None
    numbers: list[int]
    later: bool
    changes: float = 0.0

    @property
    def pair(self) -> tuple[int, int] | None:
        """The ids of toolhead and spool."""
        return None if self.spool is None else (self.site.toolhead.pk, self.spool)


def list_sites(heads: Iterable[Toolhead]) -> list[Site]:
    """The slots of these toolheads in the order of the tools that they are: T0 is the first slot of the first one."""
    return [Site(head, slot) for head in heads for slot in range(1, head.slots + 1)]


def find_spools_in_slots(printer: Printer, slots: Sequence[int]) -> list[Spool]:
    """The spools in these slots of a printer, counted from 1 over its toolheads. Refused: an empty one, none such."""
    sites = list_sites(printer.toolheads.in_use().select_related("printer").order_by("name"))
    loadings = Loading.objects.present().filter(toolhead__printer=printer)
    spools = {(row.toolhead_id, row.slot): row.spool for row in loadings.select_related("spool")}
    found = []
    for number in slots:
        if not 1 <= number <= len(sites):
            raise refusal(
                "no_such_slot",
                _("{printer} has the slots 1 to {count}.").format(printer=printer, count=len(sites)),
                "slots",
            )
        site = sites[number - 1]
        if (site.toolhead.pk, site.slot) not in spools:
            raise refusal(
                "slot_empty",
                _("No spool is on {name}. Load one, or take another slot.").format(name=site.name),
                "slots",
            )
        found.append(spools[site.toolhead.pk, site.slot])
    return found


def split_job(
    facts: JobFacts,
    sites: Sequence[Site],
    chosen: ChosenSpools,
    slots: Mapping[int, Slot],
    changes: float | None = None,
) -> list[FilePart]:
    """The parts of a file on a printer, one for each spool on a toolhead. Uses of tools that it has not are left out.

    slots: of the loaded spools: a chosen one that is in another slot than its tool is printed from there. changes:
    as for count_changes. Refused: a count that cannot be.
    """
    if changes is not None:
        require_within("changes", changes, *limits.CHANGES)
    changers = {site.toolhead.pk: site.toolhead for site in sites if site.toolhead.slots > 1}
    parts: list[FilePart] = []
    part_of_use: dict[int, FilePart] = {}
    for number, use in enumerate(facts.uses):
        if use.tool >= len(sites):
            continue
        spool, site = chosen.get(number), sites[use.tool]
        loaded = slots.get(spool or 0)
        if loaded is not None and loaded.toolhead in changers:
            site = Site(changers[loaded.toolhead], loaded.number)
        for part in parts:
            if (part.site.toolhead, part.spool) == (site.toolhead, spool) and (spool or part.site == site):
                part.numbers.append(number)
                break
        else:
            part = FilePart(site, spool, [number], any(part.site == site for part in parts))
            parts.append(part)
        part_of_use[number] = part
    pairs = {number: part.pair for number, part in part_of_use.items() if part.pair is not None}
    for number, count in count_changes(facts, pairs, changes).items():
        part_of_use[number].changes += count
    return parts


def count_changes(
    facts: JobFacts, spools: Mapping[int, tuple[int, int]], total: float | None = None
) -> dict[int, float]:
    """The changes of spool to each use of the file, by its number; the first spool on a toolhead is no change.

    spools: the ids of the toolhead and the spool of each use. total: as somebody counted them, shared as the file
    shares its own; evenly where that has none.
    """
    counts: dict[int, float] = defaultdict(float)
    on_toolhead: dict[int, int] = {}
    for change in facts.changes:
        if change.use in spools:
            toolhead, spool = spools[change.use]
            if on_toolhead.setdefault(toolhead, spool) != spool:
                counts[change.use] += 1
            on_toolhead[toolhead] = spool
    counted = sum(counts.values())
    if total is None:
        # A file lists its first changes, and counts all.
        factor = facts.change_count / max(1, len(facts.changes))
    elif counted:
        factor = total / counted
    else:
        return dict.fromkeys(spools, total / max(1, len(spools)))
    return {number: count * factor for number, count in counts.items()}
