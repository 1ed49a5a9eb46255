"""Single parts with their facts until a time, and the record that each leaves of the life of its kind."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

from django.db.models import Case, F, OuterRef, Q, QuerySet, Subquery, Sum, When
from django.db.models.functions import Coalesce

from maintenance.models import BoreReading, Fitting, Part, PartKind, PriorUse, StockEntry, WearEntry
from maintenance.parts.bores import MeasuredBore, bore_evidence
from maintenance.parts.wear_entries import COUNTED, surface_of
from maintenance.wear.learning import BoreEvidence, Record, record_in_use
from maintenance.wear.life import Life
from maintenance.wear.prior_use import Age, age_before

# How far back the present rate of use is taken from, and over how many days at least.
RATE_PERIOD = timedelta(days=30)
SHORTEST_RATE_PERIOD = timedelta(days=7)
DAY = timedelta(days=1)


@dataclass
class PartFacts:
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
    def prior_use(self) -> tuple[float | None, str] | None:
        """The use before it came into the records, as stated: amount and unit. None for a part that was new."""
        return (self.part.prior_amount, self.part.prior_unit) if self.part.prior_unit else None

    @cached_property
    def entered(self) -> Age | None:
        """Its age when it came into the records; None where that is unknown."""
        if self.prior_use is None:
            return Age(0.0, 0.0)
        amount, stated_in = self.prior_use
        if amount is None:
            return None
        kind = self.part.kind
        return age_before(amount, stated_in, kind.life_unit, surface_of(kind))

    @cached_property
    def recorded_age(self) -> float:
        """Its use on record."""
        return self._amount("worn_by", datetime.min.replace(tzinfo=self.at.tzinfo), self.at)

    @property
    def age(self) -> float:
        return self.recorded_age + (self.entered.amount if self.entered else 0.0)

    @property
    def sound_at(self) -> float:
        """The age at which it was last known to be sound: whoever fits a used part takes it to be."""
        entered = self.entered or Age(0.0, 0.0)
        sound_until = self.part.sound_until
        if sound_until is None:
            return max(0.0, entered.amount - entered.error)
        begin = datetime.min.replace(tzinfo=self.at.tzinfo)
        return entered.amount + self._amount("worn_when_sound", begin, sound_until)

    @cached_property
    def is_worn(self) -> bool:
        """Whether it came off as worn out."""
        ended = [row for row in self.fittings if row.end is not None and row.end <= self.at]
        return self.fitting is None and bool(ended) and ended[-1].removal == Fitting.Removal.WORN

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
        """The record from which the life of its kind is learnt; None where it has nothing to tell."""
        entered = self.entered
        readings = bore_evidence(self.part.kind, self.readings, entered)
        if self.recorded_age <= 0 and not readings:
            return None
        if entered is None:
            # Of unknown age: it lasted at least as long as is on record.
            return self._record_that_lasted(self.recorded_age, stated)
        if entered.error:
            return self._record_of_rough_age(entered, readings, stated)
        if self.fitting is None and (self.is_worn or not readings):
            return Record(self.age, self.is_worn)
        if readings:
            # A gauge knows better than that nobody took it off yet.
            return Record(self.sound_at, False, readings)
        return self._record_that_lasted(self.age, stated)

    def _record_of_rough_age(self, entered: Age, readings: tuple[BoreEvidence, ...], stated: Life) -> Record:
        """As a gauge's reading with the error of its age: worn out is a share of 1."""
        lasted = max(self.recorded_age, self.age - entered.error)
        if self.is_worn:
            worn_out = BoreEvidence(self.age, 1.0, entered.error / self.age)
            return Record(self.recorded_age, False, (worn_out,))
        if readings:
            return Record(min(self.sound_at, lasted), False, readings)
        return self._record_that_lasted(lasted, stated)

    def _record_that_lasted(self, age: float, stated: Life) -> Record:
        """It lasted so long; of a part in use only what ``record_in_use`` believes."""
        if self.fitting is not None:
            age = max(record_in_use(age, stated).age, min(age, self.sound_at))
        return Record(age, False)


def load_part_facts(parts: QuerySet[Part], at: datetime) -> list[PartFacts]:
    """All these parts with their facts until ``at``."""
    removals = Fitting.objects.valid().filter(part=OuterRef("pk"), removal=Fitting.Removal.SOUND, end__lte=at)
    drawer = StockEntry.objects.valid().filter(kind=OuterRef("kind")).order_by().values("kind")
    prior = PriorUse.objects.valid().filter(part=OuterRef("pk")).order_by("-id")
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
        prior_amount=Subquery(prior.values("amount")[:1]),
        prior_unit=Subquery(prior.values("unit")[:1]),
        drawer=Coalesce(Subquery(drawer.annotate(count=Sum("change")).values("count")), 0.0),
        **sums,
    )
    loaded = list(rows)
    fittings, readings = _load_fittings(loaded, at), _load_readings(loaded, at)
    return [PartFacts(row, at, fittings[row.pk], readings[row.pk]) for row in loaded]


def _load_fittings(parts: Sequence[Part], at: datetime) -> dict[int, list[Fitting]]:
    by_part: dict[int, list[Fitting]] = defaultdict(list)
    rows = Fitting.objects.valid().filter(part__in=parts, start__lte=at)
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
