"""A spool's moisture and exposure hours now or at another time, with the reasons."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from django.utils import timezone
from django.utils.translation import gettext as _

from spools.catalogue.members import start_rh
from spools.models import Spool
from spools.moisture.assimilation import WeighingResult
from spools.moisture.exposure_hours import Exposure
from spools.moisture.history import History
from spools.moisture.steps import advance_spools, load_spools
from spools.physics_inputs import ConstantAir, Interval, Winding, advance_windings
from spools.refusals import refusal
from spools.statements import Statement

LOOKS_AHEAD = timedelta(days=60)


@dataclass(frozen=True)
class Moisture:
    """The moisture of a spool at a time: an ensemble with its intervals, and the reasons for them.

    history: the facts that it was computed from, so that nobody who shows them loads them again.
    """

    at: datetime
    exposure_hours: float
    heat_hours: float
    why: list[Statement]
    winding: Winding
    history: History
    weighings: WeighingResult

    @property
    def mean_pct(self) -> Interval:
        """Of the whole winding, % by mass."""
        return Interval.from_members(self.winding.mean_pct())

    @property
    def shells(self) -> list[tuple[float, float, float, float, float]]:
        """(inner radius mm, outer radius mm, p10, p50, p90 in %) of each shell, core first."""
        return self.winding.shells()

    def outer_pct(self, mass_g: float) -> Interval:
        """Of the outermost turns that weigh mass_g, which a job takes first, % by mass."""
        return Interval.from_members(self.winding.outer_pct(mass_g))

    def probability_over(self, limit_pct: float, mass_g: float | None = None) -> float:
        """How likely the outermost mass_g, or all of it, is above a limit in %: the share of members."""
        return float((self.winding.outer_pct(mass_g) > limit_pct).mean())

    def ahead(
        self, hours: float, temperature_c: float, rh_pct: float, moving_air: bool = False
    ) -> "Moisture":
        """The moisture after some hours in constant air. A forecast: nothing is stored, the clock stands."""
        return forecast([(self, ConstantAir(hours, temperature_c, rh_pct, moving_air))])[0]


def forecast(lanes: Sequence[tuple[Moisture, ConstantAir]]) -> list[Moisture]:
    """Moisture.ahead for many at once: much quicker than one by one."""
    windings = advance_windings([(moisture.winding, [air]) for moisture, air in lanes])
    return [
        replace(moisture, at=moisture.at + timedelta(hours=air.hours), winding=winding)
        for (moisture, air), winding in zip(lanes, windings, strict=True)
    ]


def moisture_now(spool: Spool) -> Moisture:
    """The moisture of one spool now."""
    return moisture_of([spool])[spool.pk]


def moisture_of(
    spools: Iterable[Spool], at: datetime | None = None, *, preloaded: bool = False
) -> dict[int, Moisture]:
    """The moisture of spools at a time, by spool id. Stores nothing; seven queries however many spools,
    some more for dry boxes without a hygrometer and for weighings that are not assimilated yet.

    preloaded: the spools come from queries.with_materials() and are up to date; that saves a query.
    Before receipt or after emptying, the state at the nearest valid time is returned.
    """
    at = at or timezone.now()
    if at > timezone.now() + LOOKS_AHEAD:
        raise refusal(
            "too_far_ahead", _("Give a time within the next {days} days.").format(days=LOOKS_AHEAD.days), "at"
        )
    spools = list(spools)
    loaded = load_spools([spool.pk for spool in spools], at, preloaded=spools if preloaded else ())
    moments = dict(loaded.starts)
    for reached in advance_spools(loaded.histories, loaded.starts, at):
        moments |= reached
    return {
        pk: Moisture(
            max(at, history.spool.received_at),
            moments[pk].clock.exposure_hours,
            moments[pk].clock.heat_hours,
            [*_why(history, at), *loaded.weighings[pk].why(history)],
            moments[pk].winding,
            history,
            loaded.weighings[pk],
        )
        for pk, history in loaded.histories.items()
    }


def _since(spool: Spool) -> dict[str, str]:
    return {"since": spool.received_at.isoformat()}


def _why(history: History, at: datetime) -> list[Statement]:
    """The reasons for the moisture."""
    spool, polymer = history.spool, history.spool.feedstock.polymer
    reasons = []
    here = history.segment_at(at)
    if here is not None:
        place = {"place": str(here.place)}
        air = {"temperature_c": here.air.temperature_c, "rh_pct": here.air.rh_pct, "origin": here.air.origin}
        if here.kind == Exposure.UNOPENED:
            reasons.append(Statement("moisture_reason.in_unopened_bag", place | _since(spool)))
        else:
            reasons.append(Statement("moisture_reason.air", place | air))
    reasons.append(start_rh(spool)[1])
    if spool.sealed and history.opened is not None:
        opened_at, by = history.opened
        reasons.append(Statement("moisture_reason.bag_opened", {"at": opened_at.isoformat(), "by": by}))
    ended = [(run, run.end) for run in history.runs if run.end is not None]
    if ended:
        run, end = ended[-1]
        dried = {"stages": [list(stage) for stage in run.stages_until(end)], "until": end.isoformat()}
        reasons.append(Statement("moisture_reason.last_dried", dried))
    else:
        reasons.append(Statement("moisture_reason.never_dried"))
    grades = {"uptake_grade": polymer.grade_uptake, "rate_grade": polymer.grade_rate}
    reasons.append(Statement("moisture_reason.grades", {"polymer": str(polymer), **grades}))
    return reasons
