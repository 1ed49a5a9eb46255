"""Bores of nozzles: measured, as evidence of a life, and to be expected now."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

from maintenance.models import BoreReading, PartKind
from maintenance.wear.bore import LOOK_GROWTH_PCT, NEW_BORE_ERROR_MM, Bore
from maintenance.wear.learning import BoreEvidence, ExpectedLives
from maintenance.wear.prior_use import Age


@dataclass(frozen=True)
class MeasuredBore:
    """A bore reading and the wear dose on record that the nozzle had then."""

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


def bore_of(kind: PartKind, readings: Sequence[MeasuredBore], entered: Age | None) -> Bore | None:
    """A nozzle's bore, as it was measured before its first job, else the nominal one.

    None for a part that has none, whose life is not counted by it, or whose age is unknown.
    """
    if kind.bore_mm is None or kind.life_unit != PartKind.Unit.DOSE or entered is None:
        return None
    new = next((row.fact for row in readings if row.dose_km + entered.amount == 0), None)
    new_mm, error_mm = (kind.bore_mm, NEW_BORE_ERROR_MM) if new is None else (new.bore_mm, new.error_mm)
    return Bore(new_mm, error_mm, new_mm * (1 + kind.worn_growth_pct / 100))


def bore_evidence(
    kind: PartKind, readings: Sequence[MeasuredBore], entered: Age | None
) -> tuple[BoreEvidence, ...]:
    """The bore readings of a part as evidence of its life. The error of its age when it came in counts, too."""
    bore = bore_of(kind, readings, entered)
    if bore is None or entered is None:
        return ()
    evidence = []
    for row in readings:
        age = entered.amount + row.dose_km
        if age > 0:
            measured = bore.evidence(age, row.fact.bore_mm, row.fact.error_mm)
            error = hypot(measured.error, measured.share * entered.error / age)
            evidence.append(BoreEvidence(age, measured.share, error))
    return tuple(evidence)


def expected_bore(bore: Bore, age: float, lives: ExpectedLives) -> BoreNow:
    """The bore to be expected of a nozzle of this age with these lives."""
    bands = lives.high, lives.median, lives.low
    now = [bore.after_mm(age / life) for life in bands]
    kappa = [bore.kappa_um_km(life) for life in bands]
    return BoreNow(
        new_mm=bore.new_mm,
        look_mm=bore.new_mm * (1 + LOOK_GROWTH_PCT / 100),
        worn_mm=bore.worn_mm,
        now_mm=(now[0], now[1], now[2]),
        kappa_um_km=(kappa[0], kappa[1], kappa[2]),
    )
