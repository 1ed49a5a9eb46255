"""The knowledge that a spool starts with: of the catalogue, and of the spools of its feedstock weighed before it came.

So it follows from facts that lie before its receipt, and a weighing of today changes no spool but those received later
(docs/decisions/055-feedstock-lessons.md). A lesson is computed from the members of the catalogue, never from taught ones:
no weighing counts twice, and no lesson rests on another.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import NamedTuple

import numpy as np

from spools.catalogue.members import LOTS, first_members, start_rh
from spools.models import Ensemble, MassEntry, Prior, Spool, SpoolLesson
from spools.moisture.history import History
from spools.moisture.history_queries import load
from spools.physics.ensemble import Members
from spools.physics.lessons import Knowledge, Lesson, combine, lesson_from

# The spools weighed last teach the next one; more of them hardly add anything (spools/physics/lessons.py).
TEACHERS = 20
# A single weighing says what a spool weighs; a second one, what water came or went.
LEAST_WEIGHINGS = 2
START = list(LOTS).index("start_rh")

# The ensembles of these histories, from the members of the catalogue.
Assimilate = Callable[[Sequence[History]], list[Ensemble]]


@dataclass(frozen=True)
class Taught:
    """The knowledge that so many spools passed on. knowledge: None where it is that of the catalogue."""

    spools: int = 0
    knowledge: Knowledge | None = None

    def members(self) -> Members:
        """The members before any weighing of the spool itself."""
        first = first_members()
        return first if self.knowledge is None else self.knowledge.members(first, LOTS)

    @classmethod
    def from_row(cls, row: Prior) -> "Taught":
        if not row.spools:
            return CATALOGUE
        numbers = np.frombuffer(bytes(row.knowledge), "<f8")
        return cls(row.spools, Knowledge(numbers[: len(LOTS)], numbers[len(LOTS) :].reshape(len(LOTS), -1)))

    def as_row(self, spool: Spool) -> Prior:
        """Not stored yet."""
        if self.knowledge is None:
            return Prior(spool=spool, spools=0, knowledge=b"")
        numbers = np.concatenate([self.knowledge.middle, self.knowledge.factor.ravel()])
        return Prior(spool=spool, spools=self.spools, knowledge=numbers.astype("<f8").tobytes())


CATALOGUE = Taught()


def stored_prior(spool: Spool) -> Taught | None:
    """The stored knowledge of a spool that was loaded with it; None: not computed yet."""
    row = getattr(spool, "prior", None)
    return None if row is None else Taught.from_row(row)


class _Teacher(NamedTuple):
    """A spool with its first weighings: the last of them, and how many."""

    spool_id: int
    last_at: datetime
    weighings: int


@dataclass(frozen=True)
class ComputedLesson:
    """A row that waits to be stored. rests_on: the spools that stay as they are only while it holds."""

    row: SpoolLesson
    rests_on: set[int]


class FeedstockLessons:
    """The lessons that spools learn from, each computed once.

    assimilate: None to do with the lessons that are stored. from_scratch: computed again, whatever is stored.
    """

    def __init__(self, assimilate: Assimilate | None, *, from_scratch: bool = False):
        self._assimilate, self._from_scratch = assimilate, from_scratch
        self._lessons: dict[_Teacher, Lesson] = {}
        self.computed: dict[_Teacher, ComputedLesson] = {}

    def teach(self, spools: Iterable[Spool]) -> dict[int, Taught]:
        """The knowledge that each spool starts with, by spool id. Three queries, more where lessons are missing."""
        return self.teach_at({spool.pk: (spool, spool.received_at) for spool in spools})

    def teach_at(self, spools: Mapping[int, tuple[Spool, datetime]]) -> dict[int, Taught]:
        """The same, with the weighings before a time instead of its receipt."""
        weighings = _load_weighings({spool.feedstock_id for spool, _ in spools.values()})
        teachers = {
            pk: _find_teachers(pk, weighings.get(spool.feedstock_id, {}), at)
            for pk, (spool, at) in spools.items()
        }
        pupils: dict[_Teacher, set[int]] = {}
        for pk, row in teachers.items():
            for teacher in row:
                pupils.setdefault(teacher, set()).add(pk)
        self._load(pupils)
        siblings = Spool.objects.in_bulk({teacher.spool_id for teacher in pupils})
        return {
            pk: self._combine(spool, [(siblings[teacher.spool_id], teacher) for teacher in teachers[pk]])
            for pk, (spool, _) in spools.items()
        }

    def prepare(
        self, ensembles: Iterable[Ensemble], times: Mapping[int, list[datetime]], taught: set[int]
    ) -> None:
        """Compute what these spools teach others from now on, so that no spool that comes has to wait for it.

        times: of their weighings, by spool id. taught: those that learnt from others.
        """
        own: dict[_Teacher, set[int]] = {}
        for row in ensembles:
            teacher = _first_weighings(row.spool_id, times[row.spool_id])
            if teacher is None or teacher in self._lessons:
                continue
            if teacher.weighings == len(times[row.spool_id]) and row.spool_id not in taught:
                self._add(teacher, row, {row.spool_id})
            else:
                own[teacher] = {row.spool_id}
        self._load(own)

    def _combine(self, spool: Spool, teachers: Sequence[tuple[Spool, _Teacher]]) -> Taught:
        lessons = []
        for sibling, teacher in teachers:
            lesson = self._lessons.get(teacher)
            if lesson is not None:
                # Wetness on arrival is learnt from spools that arrived in the same way.
                lessons.append(lesson if start_rh(sibling) == start_rh(spool) else lesson.without(START))
        return Taught(len(lessons), combine(lessons, LOTS)) if lessons else CATALOGUE

    def _load(self, rests_on: Mapping[_Teacher, set[int]]) -> None:
        """Those that are not stored are computed, if they may be."""
        missing = rests_on.keys() - self._lessons.keys()
        if missing and not self._from_scratch:
            for row in SpoolLesson.objects.filter(spool__in={teacher.spool_id for teacher in missing}):
                self._lessons[_Teacher(row.spool_id, row.last_at, row.weighings)] = _decode(row.numbers)
            missing -= self._lessons.keys()
        if not missing or self._assimilate is None:
            return
        teachers = sorted(missing)
        histories = load(
            {teacher.spool_id for teacher in teachers},
            max(teacher.last_at for teacher in teachers),
            lambda history: history.spool.received_at,
        )
        known = [_until(histories[teacher.spool_id], teacher.last_at) for teacher in teachers]
        for teacher, ensemble in zip(teachers, self._assimilate(known), strict=True):
            self._add(teacher, ensemble, rests_on[teacher])

    def _add(self, teacher: _Teacher, ensemble: Ensemble, rests_on: set[int]) -> None:
        points = np.frombuffer(bytes(ensemble.points), "<f8").reshape(-1, len(ensemble.names))
        lesson = self._lessons[teacher] = lesson_from(Members(tuple(ensemble.names), points), LOTS)
        numbers = np.concatenate([lesson.precision.ravel(), lesson.pull]).astype("<f8").tobytes()
        self.computed[teacher] = ComputedLesson(
            SpoolLesson(**teacher._asdict(), numbers=numbers), {*rests_on}
        )


def _decode(numbers: bytes | memoryview) -> Lesson:
    values, count = np.frombuffer(bytes(numbers), "<f8"), len(LOTS)
    return Lesson(values[: count**2].reshape(count, count), values[count**2 :])


def _until(history: History, at: datetime) -> History:
    """A history with the entries of its mass up to a time alone."""
    return replace(history, entries=[entry for entry in history.entries if entry.at <= at])


def _load_weighings(feedstock_ids: Iterable[int]) -> dict[int, dict[int, list[datetime]]]:
    """The times of the weighings, in order, by feedstock and spool. One query."""
    entries = MassEntry.objects.valid().filter(
        kind=MassEntry.Kind.WEIGHED, spool__feedstock__in=list(feedstock_ids)
    )
    times: dict[int, dict[int, list[datetime]]] = {}
    for feedstock_id, spool_id, at in entries.order_by("at", "pk").values_list(
        "spool__feedstock", "spool", "at"
    ):
        times.setdefault(feedstock_id, {}).setdefault(spool_id, []).append(at)
    return times


def _find_teachers(
    spool_id: int, weighings: Mapping[int, list[datetime]], before: datetime
) -> list[_Teacher]:
    """The other spools that were weighed last before a time, in the order of their ids."""
    teachers = []
    for pk, times in weighings.items():
        teacher = _first_weighings(pk, [at for at in times if at < before])
        if pk != spool_id and teacher is not None:
            teachers.append(teacher)
    newest = sorted(teachers, key=lambda teacher: (teacher.last_at, teacher.spool_id))[-TEACHERS:]
    return sorted(newest)


def _first_weighings(spool_id: int, times: Sequence[datetime]) -> _Teacher | None:
    """The first 2, 4, 8 and so on of these weighings, as many as there are: so a spool has few lessons."""
    if len(times) < LEAST_WEIGHINGS:
        return None
    count = 1 << (len(times).bit_length() - 1)
    return _Teacher(spool_id, times[count - 1], count)
