"""Journals of scripts that write, and the check of a restored shop against them."""

import statistics
from collections.abc import Sequence, Set
from dataclasses import dataclass, field
from datetime import datetime

CREATED = 201
# Kind, code of the spool or id of the place, time: no two facts of the drill agree in them.
Fact = tuple[str, str, datetime]


@dataclass(frozen=True)
class Act:
    """One request. began, ended: seconds since the epoch; status: 0 without an answer."""

    fact: Fact
    began: float
    ended: float
    status: int

    @property
    def is_acknowledged(self) -> bool:
        return self.status == CREATED


Journal = Sequence[Act]


def find_broken(
    known: Set[Fact], found: Set[Fact], journals: Sequence[Journal], began: float, ended: float
) -> list[str]:
    """A line for each promise that a restored shop breaks.

    known: the facts of before the scripts began; found: those of the restored shop. began, ended: the backup, in seconds
    since the epoch. Each script does one act after the other, so no act is there without the ones before it.
    """
    acts = [act for journal in journals for act in journal]
    broken = [f"lost, of before the scripts: {fact}" for fact in known - found]
    broken += [f"in no journal: {fact}" for fact in found - known - {act.fact for act in acts}]
    for act in acts:
        is_there = act.fact in found
        if act.is_acknowledged and act.ended <= began and not is_there:
            broken.append(f"lost: {act}")
        if act.began >= ended and is_there:
            broken.append(f"of after the backup: {act}")
        if act.status >= 400 and is_there:
            broken.append(f"refused, and there: {act}")
    for journal in journals:
        are_there = [act.fact in found for act in journal if act.is_acknowledged]
        if are_there != sorted(are_there, reverse=True):
            broken.append(f"gaps in what a script wrote: {are_there}")
    return broken


@dataclass
class Spans:
    """Seconds of each acknowledged act, by whether it began before, during or after a backup."""

    before: list[float] = field(default_factory=list)
    during: list[float] = field(default_factory=list)
    after: list[float] = field(default_factory=list)

    def add(self, journals: Sequence[Journal], began: float, ended: float) -> None:
        for act in (act for journal in journals for act in journal if act.is_acknowledged):
            # By its begin: a slow one is no more likely to be in a span than a quick one.
            span = self.before if act.began < began else self.after if act.began >= ended else self.during
            span.append(act.ended - act.began)

    def report(self) -> None:
        for name in ("before", "during", "after"):
            seconds = getattr(self, name)
            if len(seconds) > 1:
                p95 = statistics.quantiles(seconds, n=20)[-1]
                median = statistics.median(seconds)
                print(f"{name:7} {len(seconds):6} acts, median {median:.3f} s, 95 % within {p95:.3f} s")
