"""How old parts are, how long their kind lasts as far as this shop has seen, and what that leaves of each.

Every part of a kind teaches the life of the others: worn (its life ended at that age), taken off for another
reason or still in use (it lasted longer), its bore measured (``wear/learning.py``). What a part is told about
itself is only what somebody saw of it: that it was taken off sound, or what a gauge said. A part that was used
before it came into the records counts from its age then; one of unknown age only says that it lasted as long as
is on record, worn out or not.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from maintenance.models import Fitting, Part, PartKind
from maintenance.models.parts import IN_NO_MACHINE
from maintenance.parts.bores import BoreNow, MeasuredBore, bore_evidence, bore_of, expected_bore
from maintenance.parts.part_facts import DAY, RATE_PERIOD, PartFacts, load_part_facts
from maintenance.wear.abrasion import in_hand
from maintenance.wear.learning import ExpectedLives, Record, learn
from maintenance.wear.life import Life, probability_used_up, remaining
from maintenance.wear.prior_use import Age
from spools.statements import Statement

FORESEEABLE = timedelta(days=3650)


@dataclass(frozen=True)
class RemainingLife:
    """Age, life and what is left of a part, in a unit that people have in hand; low to high are 10 % and 90 %.

    used_up_at, early_at: when the median and the low one are reached at the present rate of use.
    """

    age: float
    unit: str
    life: tuple[float, float, float]
    median_left: float
    low_left: float
    high_left: float
    probability_used_up: float
    used_up_at: datetime | None
    early_at: datetime | None
    why: list[Statement]


@dataclass
class KindLives:
    """The lives of a kind: as stated, and the records of its parts, by part id."""

    stated: Life
    records: dict[int, Record] = field(default_factory=dict)
    worn: set[int] = field(default_factory=set)
    in_use: set[int] = field(default_factory=set)
    _learnt: dict[Record | None, ExpectedLives] = field(default_factory=dict)

    def expected(self, without: int | None = None) -> ExpectedLives:
        """The lives to be expected; ``without`` what this part itself taught.

        Parts that taught the same leave the same to the others: learnt once.
        """
        own_record = None if without is None else self.records.get(without)
        if own_record not in self._learnt:
            records = list(self.records.values())
            if own_record is not None:
                records.remove(own_record)
            self._learnt[own_record] = learn(self.stated, tuple(sorted(records, key=_record_sort_key)))
        return self._learnt[own_record]

    def count_records(self, without: int | None = None) -> dict[str, int]:
        """How many parts taught it: worn, removed before that, in use."""
        pks = set(self.records) - {without}
        worn, in_use = len(pks & self.worn), len(pks & self.in_use)
        return {"worn": worn, "removed": len(pks) - worn - in_use, "in_use": in_use}


@dataclass(frozen=True)
class PartWear:
    """A part with what it has done, in the unit of its life, and what is known of its kind.

    entered: its age when it came into the records, None if that is unknown: age then counts from there.
    sound_at: the age at which it was last taken off or came in sound; per_day: its present rate of use; fitting:
    where it is fitted, if it is; in_stock: how many of its kind are in the drawer; prior_use: as stated, amount
    and unit.
    """

    part: Part
    at: datetime
    entered: Age | None
    age: float
    sound_at: float
    per_day: float
    in_stock: int
    fitting: Fitting | None
    kind_lives: KindLives
    readings: tuple[MeasuredBore, ...]
    prior_use: tuple[float | None, str] | None
    removed_sound: bool

    @property
    def kind(self) -> PartKind:
        return self.part.kind

    @property
    def recorded_age(self) -> float:
        """Its use on record, without that before it came in."""
        return self.age - (self.entered.amount if self.entered else 0.0)

    @cached_property
    def expected(self) -> ExpectedLives:
        """Lives to be expected of this very part, from all others and from its own bore readings."""
        lives = self.kind_lives.expected(without=self.part.pk)
        if self.entered is None:
            return lives.of_unknown_age
        return lives.condition_on(bore_evidence(self.kind, self.readings, self.entered))

    @property
    def in_hand(self) -> tuple[float, str]:
        """As abrasion.in_hand."""
        return in_hand(self.kind.life_unit, self.kind.bore_mm)

    def life_left(self) -> RemainingLife:
        """The remaining life."""
        left = remaining(self.expected, self.age, self.sound_at)
        factor, unit = self.in_hand
        low, median, high = (factor * life for life in _band(self.expected))
        return RemainingLife(
            age=factor * self.age,
            unit=unit,
            life=(low, median, high),
            median_left=factor * left.median,
            low_left=factor * left.low,
            high_left=factor * left.high,
            probability_used_up=probability_used_up(self.expected, self.age, sound_at=self.sound_at),
            used_up_at=self._time_when(left.median),
            early_at=self._time_when(left.low),
            why=self._build_reasons(),
        )

    def bore(self) -> BoreNow | None:
        """The bore to be expected now; None for a part that has none, or whose life is not measured by it."""
        bore = bore_of(self.kind, self.readings, self.entered)
        return None if bore is None else expected_bore(bore, self.age, self.expected)

    def _time_when(self, left: float) -> datetime | None:
        if left <= 0:
            return self.at
        if self.per_day <= 0 or left / self.per_day >= FORESEEABLE.days:
            return None
        return self.at + left / self.per_day * DAY

    def _build_reasons(self) -> list[Statement]:
        factor, in_words = self.in_hand
        unit = {"unit": in_words}

        def band(life: Life | ExpectedLives) -> list[float]:
            return [factor * amount for amount in _band(life)]

        stated = {"part": str(self.kind), "source": self.kind.source, "how": self.kind.how}
        reasons = [
            Statement("life_reason.age", {"age": factor * self.recorded_age, **unit}),
            Statement("life_reason.stated", {"life": band(self.kind_lives.stated), **stated, **unit}),
        ]
        records = self.kind_lives.count_records(without=self.part.pk)
        if any(records.values()):
            life = band(self.kind_lives.expected(without=self.part.pk))
            reasons.append(Statement("life_reason.own_parts", {"records": records, "life": life, **unit}))
        if self.prior_use is not None:
            amount, stated_in = self.prior_use
            prior = {
                "amount": amount,
                "stated_in": stated_in,
                "entered": self.entered and factor * self.entered.amount,
            }
            reasons.append(Statement("life_reason.prior_use", {**prior, **unit}))
        if self.removed_sound:
            reasons.append(Statement("life_reason.sound", {"age": factor * self.sound_at, **unit}))
        bore, last = bore_of(self.kind, self.readings, self.entered), self.readings[-1:]
        if bore is not None and last and last[0].dose_km > 0:
            fact = last[0].fact
            measured = {
                "bore_mm": fact.bore_mm,
                "error_mm": fact.error_mm,
                "measured_at": fact.at.isoformat(),
            }
            life = band(self.expected)
            reasons.append(
                Statement("life_reason.bore", {**measured, "worn_mm": bore.worn_mm, "life": life, **unit})
            )
        if self.per_day:
            days = RATE_PERIOD.days
            reasons.append(
                Statement("life_reason.rate", {"used": factor * self.per_day * days, "days": days, **unit})
            )
        return reasons


def _band(life: Life | ExpectedLives) -> list[float]:
    """Low, likely, high."""
    return [life.low, life.median, life.high]


# Gathered from the facts


def load_fitted_parts(
    toolhead_ids: Iterable[int] | None = None, at: datetime | None = None
) -> list[PartWear]:
    """The parts on these toolheads and their printers, or on all that are in use, at that time."""
    at = at or timezone.now()
    fitted = Q(fittings__start__lte=at, fittings__withdrawn_at=None)
    fitted &= Q(fittings__end=None) | Q(fittings__end__gt=at)
    if toolhead_ids is not None:
        ids = list(toolhead_ids)
        fitted &= Q(fittings__toolhead__in=ids) | Q(fittings__printer__toolheads__in=ids)
    else:
        fitted &= Q(
            fittings__toolhead__retired_at=None,
            fittings__toolhead__printer__retired_at=None,
            fittings__printer__retired_at=None,
        )
    return load_part_wear(Part.objects.filter(fitted), at)


def load_kind_lives(kinds: Iterable[PartKind], at: datetime | None = None) -> dict[int, KindLives]:
    """The lives of these kinds but consumables, by kind id."""
    at = at or timezone.now()
    kinds = [kind for kind in kinds if kind.role not in IN_NO_MACHINE]
    rows = load_part_facts(Part.objects.filter(kind__in=kinds), at)
    lives = _learn_from(rows)
    return {kind.pk: lives.get(kind.pk) or KindLives(_stated_life(kind)) for kind in kinds}


def load_part_wear(parts: QuerySet[Part], at: datetime | None = None) -> list[PartWear]:
    """Parts with their wear by the jobs that began until ``at``. Three queries, however many parts."""
    at = at or timezone.now()
    same_kinds = Part.objects.filter(kind__in=parts.order_by().values("kind"))
    rows = load_part_facts(same_kinds.annotate(asked=Exists(parts.filter(pk=OuterRef("pk")))), at)
    lives = _learn_from(rows)
    return [
        PartWear(
            part=row.part,
            at=at,
            entered=row.entered,
            age=row.age,
            sound_at=row.sound_at,
            per_day=row.per_day,
            in_stock=int(row.part.drawer),
            fitting=row.fitting,
            kind_lives=lives[row.part.kind_id],
            readings=tuple(row.readings),
            prior_use=row.prior_use,
            removed_sound=row.part.sound_until is not None,
        )
        for row in rows
        if row.part.asked
    ]


def _learn_from(rows: Iterable[PartFacts]) -> dict[int, KindLives]:
    lives: dict[int, KindLives] = {}
    for row in rows:
        kind = lives.setdefault(row.part.kind_id, KindLives(_stated_life(row.part.kind)))
        record = row.build_record(kind.stated)
        if record is not None:
            kind.records[row.part.pk] = record
            if row.is_worn and row.entered is not None:
                kind.worn.add(row.part.pk)
            if row.fitting is not None:
                kind.in_use.add(row.part.pk)
    return lives


def _record_sort_key(record: Record) -> tuple[float, bool, str]:
    """A sort key, so that the same records give the same cache entry in any order."""
    return record.age, record.worn, repr(record.readings)


def _stated_life(kind: PartKind) -> Life:
    assert kind.life is not None and kind.life_low is not None and kind.life_high is not None
    return Life(kind.life, kind.life_low, kind.life_high)
