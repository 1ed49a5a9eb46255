"""How old parts are, how long their kind lasts as far as this shop has seen, and what that leaves of each.

Every part of a kind teaches the life of the others: worn (its life ended at that age), taken off for another
reason or still in use (it lasted longer), its bore measured (``wear/learning.py``). What a part is told about
itself is only what somebody saw of it: that it was taken off sound, or what a gauge said.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

from django.db.models import Case, Exists, F, OuterRef, Q, QuerySet, Subquery, Sum, When
from django.db.models.functions import Coalesce
from django.utils import timezone

from maintenance.models import BoreReading, Fitting, Part, PartKind, StockEntry, WearEntry
from maintenance.parts.wear_entries import COUNTED
from maintenance.wear.bore import LOOK_GROWTH_PCT, NEW_BORE_ERROR_MM, Bore
from maintenance.wear.learning import BoreEvidence, ExpectedLives, Record, learn, record_in_use
from maintenance.wear.life import Life, probability_used_up, remaining
from spools.statements import Statement

# How far back the present rate of use is taken from, and over how many days at least.
RATE_PERIOD = timedelta(days=30)
SHORTEST_RATE_PERIOD = timedelta(days=7)
DAY = timedelta(days=1)
FORESEEABLE = timedelta(days=3650)


@dataclass(frozen=True)
class RemainingLife:
    """Age and what is left of a part in the unit of its life; low to high are 10 % and 90 %.

    used_up_at, early_at: when the median and the low one are reached at the present rate of use.
    """

    age: float
    unit: str
    median_left: float
    low_left: float
    high_left: float
    probability_used_up: float
    used_up_at: datetime | None
    early_at: datetime | None
    why: list[Statement]


@dataclass(frozen=True)
class MeasuredBore:
    """A bore reading and the wear dose that the nozzle had then."""

    fact: BoreReading
    dose_km: float


@dataclass(frozen=True)
class BoreNow:
    """The bore to be expected now, and at which to look and to replace, mm; what its wall loses, um per km.

    Bands from 10 % to 90 %: low, likely, high.
    """

    new_mm: float
    look_mm: float
    worn_mm: float
    now_mm: tuple[float, float, float]
    kappa_um_km: tuple[float, float, float]


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

    sound_at: the age at which it was last taken off sound; a_day: its present rate of use; fitting: where it
    is fitted, if it is; in_stock: how many of its kind are in the drawer.
    """

    part: Part
    at: datetime
    age: float
    sound_at: float
    per_day: float
    in_stock: int
    fitting: Fitting | None
    kind_lives: KindLives
    readings: tuple[MeasuredBore, ...]

    @property
    def kind(self) -> PartKind:
        return self.part.kind

    @cached_property
    def expected(self) -> ExpectedLives:
        """Lives to be expected of this very part, from all others and from its own bore readings."""
        return self.kind_lives.expected(without=self.part.pk).condition_on(
            bore_evidence(self.kind, self.readings)
        )

    def life_left(self) -> RemainingLife:
        """The remaining life."""
        left = remaining(self.expected, self.age, self.sound_at)
        return RemainingLife(
            age=self.age,
            unit=self.kind.life_unit,
            median_left=left.median,
            low_left=left.low,
            high_left=left.high,
            probability_used_up=probability_used_up(self.expected, self.age, sound_at=self.sound_at),
            used_up_at=self._time_when(left.median),
            early_at=self._time_when(left.low),
            why=self._build_reasons(),
        )

    def bore(self) -> BoreNow | None:
        """The bore to be expected now; None for a part that has none, or whose life is not measured by it."""
        bore = bore_of(self.kind, self.readings)
        if bore is None:
            return None
        lives = self.expected.high, self.expected.median, self.expected.low
        now = [bore.after_mm(self.age / life) for life in lives]
        kappa = [bore.kappa_um_km(life) for life in lives]
        return BoreNow(
            new_mm=bore.new_mm,
            look_mm=bore.new_mm * (1 + LOOK_GROWTH_PCT / 100),
            worn_mm=bore.worn_mm,
            now_mm=(now[0], now[1], now[2]),
            kappa_um_km=(kappa[0], kappa[1], kappa[2]),
        )

    def _time_when(self, left: float) -> datetime | None:
        if left <= 0:
            return self.at
        if self.per_day <= 0 or left / self.per_day >= FORESEEABLE.days:
            return None
        return self.at + left / self.per_day * DAY

    def _build_reasons(self) -> list[Statement]:
        unit = {"unit": self.kind.life_unit}
        stated = {"part": str(self.kind), "source": self.kind.source, "how": self.kind.how}
        reasons = [
            Statement("life_reason.age", {"age": self.age, **unit}),
            Statement("life_reason.stated", {"life": _band(self.kind_lives.stated), **stated, **unit}),
        ]
        records = self.kind_lives.count_records(without=self.part.pk)
        if any(records.values()):
            life = _band(self.kind_lives.expected(without=self.part.pk))
            reasons.append(Statement("life_reason.own_parts", {"records": records, "life": life, **unit}))
        if self.sound_at:
            reasons.append(Statement("life_reason.sound", {"age": self.sound_at, **unit}))
        bore, last = bore_of(self.kind, self.readings), self.readings[-1:]
        if bore is not None and last and last[0].dose_km > 0:
            fact = last[0].fact
            measured = {
                "bore_mm": fact.bore_mm,
                "error_mm": fact.error_mm,
                "measured_at": fact.at.isoformat(),
            }
            life = _band(self.expected)
            reasons.append(
                Statement("life_reason.bore", {**measured, "worn_mm": bore.worn_mm, "life": life, **unit})
            )
        if self.per_day:
            days = RATE_PERIOD.days
            reasons.append(Statement("life_reason.rate", {"used": self.per_day * days, "days": days, **unit}))
        return reasons


def _band(life: Life | ExpectedLives) -> list[float]:
    """Low, likely, high."""
    return [life.low, life.median, life.high]


# Bores


def bore_of(kind: PartKind, readings: Sequence[MeasuredBore]) -> Bore | None:
    """A nozzle's bore, as it was measured before its first job, else the nominal one."""
    if kind.bore_mm is None or kind.life_unit != PartKind.Unit.DOSE:
        return None
    new = next((row.fact for row in readings if row.dose_km == 0), None)
    new_mm, error_mm = (kind.bore_mm, NEW_BORE_ERROR_MM) if new is None else (new.bore_mm, new.error_mm)
    return Bore(new_mm, error_mm, new_mm * (1 + kind.worn_growth_pct / 100))


def bore_evidence(kind: PartKind, readings: Sequence[MeasuredBore]) -> tuple[BoreEvidence, ...]:
    """The bore readings of a part as evidence of its life."""
    bore = bore_of(kind, readings)
    if bore is None:
        return ()
    return tuple(
        bore.evidence(row.dose_km, row.fact.bore_mm, row.fact.error_mm) for row in readings if row.dose_km > 0
    )


# Gathered from the facts


def load_fitted_parts(
    toolhead_ids: Iterable[int] | None = None, at: datetime | None = None
) -> list[PartWear]:
    """The parts on these toolheads and their printers, or on all that are in use, at that time."""
    at = at or timezone.now()
    fitted = Q(fittings__start__lte=at) & (Q(fittings__end=None) | Q(fittings__end__gt=at))
    if toolhead_ids is not None:
        ids = list(toolhead_ids)
        fitted &= Q(fittings__toolhead__in=ids) | Q(fittings__printer__toolheads__in=ids)
    else:
        fitted &= Q(fittings__toolhead__printer__retired_at=None, fittings__printer__retired_at=None)
    return load_part_wear(Part.objects.filter(fitted), at)


def load_kind_lives(kinds: Iterable[PartKind], at: datetime | None = None) -> dict[int, KindLives]:
    """The lives of these kinds, by kind id."""
    at = at or timezone.now()
    kinds = list(kinds)
    rows = _load_part_facts(Part.objects.filter(kind__in=kinds), at)
    lives = _learn_from(rows)
    return {kind.pk: lives.get(kind.pk) or KindLives(_stated_life(kind)) for kind in kinds}


def load_part_wear(parts: QuerySet[Part], at: datetime | None = None) -> list[PartWear]:
    """Parts with their wear by the jobs that began until ``at``. Three queries, however many parts."""
    at = at or timezone.now()
    same_kinds = Part.objects.filter(kind__in=parts.order_by().values("kind"))
    rows = _load_part_facts(same_kinds.annotate(asked=Exists(parts.filter(pk=OuterRef("pk")))), at)
    lives = _learn_from(rows)
    return [
        PartWear(
            part=row.part,
            at=at,
            age=row.age,
            sound_at=row.sound_at,
            per_day=row.per_day,
            in_stock=row.part.drawer,
            fitting=row.fitting,
            kind_lives=lives[row.part.kind_id],
            readings=tuple(row.readings),
        )
        for row in rows
        if row.part.asked
    ]


@dataclass
class _PartFacts:
    """A part with its facts until a time."""

    part: Any
    at: datetime
    fittings: list[Fitting]
    readings: list[MeasuredBore]

    @cached_property
    def fitting(self) -> Fitting | None:
        """Where it is fitted at that time."""
        return next((row for row in self.fittings if row.end is None or row.end > self.at), None)

    @property
    def age(self) -> float:
        return self._amount("worn_by", datetime.min.replace(tzinfo=self.at.tzinfo), self.at)

    @property
    def sound_at(self) -> float:
        sound_until = self.part.sound_until
        if sound_until is None:
            return 0.0
        return self._amount("worn_when_sound", datetime.min.replace(tzinfo=self.at.tzinfo), sound_until)

    @property
    def per_day(self) -> float:
        if self.fitting is None:
            return 0.0
        since = self.at - RATE_PERIOD
        over = max(SHORTEST_RATE_PERIOD, self._fitted_for(since, self.at))
        return self._amount("worn_of_late", since, self.at) / (over / DAY)

    def _amount(self, column: str, since: datetime, until: datetime) -> float:
        """A sum of its jobs, or the days that it was fitted between two times."""
        unit = self.part.kind.life_unit
        if unit == PartKind.Unit.DAYS:
            return self._fitted_for(since, until) / DAY
        return float(getattr(self.part, column))

    def _fitted_for(self, since: datetime, until: datetime) -> timedelta:
        spans = (min(row.end or until, until) - max(row.start, since) for row in self.fittings)
        return sum((max(span, timedelta()) for span in spans), timedelta())

    def build_record(self, stated: Life) -> Record | None:
        """The record from which the life of its kind is learnt."""
        ended = [row for row in self.fittings if row.end is not None and row.end <= self.at]
        worn = self.fitting is None and bool(ended) and ended[-1].removal == Fitting.Removal.WORN
        readings = bore_evidence(self.part.kind, self.readings)
        if self.age <= 0 and not readings:
            return None
        if self.fitting is None and (worn or not readings):
            return Record(self.age, worn)
        if readings:
            # A gauge knows better than that nobody took it off yet.
            return Record(self.sound_at, False, readings)
        in_use = record_in_use(self.age, stated)
        return Record(max(in_use.age, self.sound_at), False)


def _load_part_facts(parts: QuerySet[Part], at: datetime) -> list[_PartFacts]:
    """All these parts with their facts until ``at``."""
    removals = Fitting.objects.filter(part=OuterRef("pk"), removal=Fitting.Removal.SOUND, end__lte=at)
    drawer = StockEntry.objects.filter(kind=OuterRef("kind")).order_by().values("kind")
    began = Q(wear__use__job__start__lte=at)
    conditions = {
        "worn_by": began,
        "worn_when_sound": began & Q(wear__use__job__start__lt=F("sound_until")),
        "worn_of_late": began & Q(wear__use__job__start__gt=at - RATE_PERIOD),
    }
    in_its_unit = Case(*(When(kind__life_unit=unit, then=F(f"wear__{unit}")) for unit in COUNTED))
    sums = {
        column: Coalesce(Sum(in_its_unit, filter=condition), 0.0) for column, condition in conditions.items()
    }
    rows = parts.select_related("kind").annotate(
        sound_until=Subquery(removals.order_by("-end").values("end")[:1]),
        drawer=Coalesce(Subquery(drawer.annotate(count=Sum("change")).values("count")), 0),
        **sums,
    )
    loaded = list(rows)
    fittings, readings = _load_fittings(loaded, at), _load_readings(loaded, at)
    return [_PartFacts(row, at, fittings[row.pk], readings[row.pk]) for row in loaded]


def _load_fittings(parts: Sequence[Part], at: datetime) -> dict[int, list[Fitting]]:
    by_part: dict[int, list[Fitting]] = defaultdict(list)
    rows = Fitting.objects.filter(part__in=parts, start__lte=at)
    for row in rows.select_related("toolhead__printer", "printer").order_by("start", "id"):
        by_part[row.part_id].append(row)
    return by_part


def _load_readings(parts: Sequence[Part], at: datetime) -> dict[int, list[MeasuredBore]]:
    """Valid bore readings, with the dose of the jobs that had begun before them."""
    before = WearEntry.objects.filter(part=OuterRef("part"), use__job__start__lt=OuterRef("at"))
    dose = before.order_by().values("part").annotate(sum=Sum("dose_km")).values("sum")
    rows: QuerySet[Any] = BoreReading.objects.valid().filter(part__in=parts, at__lte=at)
    by_part: dict[int, list[MeasuredBore]] = defaultdict(list)
    for row in rows.annotate(dose_km=Coalesce(Subquery(dose), 0.0)).order_by("at", "id"):
        by_part[row.part_id].append(MeasuredBore(row, row.dose_km))
    return by_part


def _learn_from(rows: Iterable[_PartFacts]) -> dict[int, KindLives]:
    lives: dict[int, KindLives] = {}
    for row in rows:
        kind = lives.setdefault(row.part.kind_id, KindLives(_stated_life(row.part.kind)))
        record = row.build_record(kind.stated)
        if record is not None:
            kind.records[row.part.pk] = record
            if record.worn:
                kind.worn.add(row.part.pk)
            if row.fitting is not None:
                kind.in_use.add(row.part.pk)
    return lives


def _record_sort_key(record: Record) -> tuple[float, bool, str]:
    """A sort key, so that the same records give the same cache entry in any order."""
    return record.age, record.worn, repr(record.readings)


def _stated_life(kind: PartKind) -> Life:
    return Life(kind.life, kind.life_low, kind.life_high)
